"""Writes a capture on a thread of its own, so that compressing does not delay the reading.

The frames that wait to be written are bounded. If writing is slower than the job records, the
capture ends there, readable up to that time, and the error says so.
"""

from __future__ import annotations

import contextlib
import threading
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from .capture import CaptureError
from .limits import WAITING_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from .capture import CaptureWriter

FLUSH_SECONDS = 0.5

Entry = tuple[int, bytes]
"""(at_ns, frames as wire bytes): the frames had arrived by at_ns."""


class Recording:
    """Writes frames to an open capture. `error`: why writing ended early, None if it did not."""

    def __init__(self, writer: CaptureWriter, history: Iterable[Entry]) -> None:
        self.path = writer.path
        self.error: CaptureError | None = None
        self._writer = writer
        self._entries: SimpleQueue[Entry | None] = SimpleQueue()
        self._lock = threading.Lock()
        self._waiting = 0
        self._thread = threading.Thread(
            target=self._write, args=(list(history),), name="idlehands-capture", daemon=True
        )
        self._thread.start()

    def add(self, at_ns: int, frames: bytes) -> None:
        """Queue frames, which had arrived by `at_ns`, for writing; never waits."""
        with self._lock:
            self._waiting += len(frames)
            if self._waiting > WAITING_BYTES and self.error is None:
                self.error = CaptureError(
                    f"{self.path}: the job records faster than the file can be written"
                )
                self._entries.put(None)  # what waits is still written
        if self.error is None:
            self._entries.put((at_ns, frames))

    def close(self) -> None:
        """Write what is left, and close the file. Raises CaptureError."""
        self._entries.put(None)
        self.wait()
        if self.error is not None:
            raise self.error

    def wait(self) -> None:
        """Wait until the file is closed, after `close` or an error."""
        self._thread.join()

    def _next(self) -> Entry | None:
        """Return what comes next. While nothing does, what has come is written."""
        try:
            return self._entries.get(timeout=FLUSH_SECONDS)
        except Empty:
            self._writer.flush()
        return self._entries.get()

    def _write(self, history: list[Entry]) -> None:
        try:
            for at_ns, frames in history:
                self._writer.add(at_ns, frames)
            history.clear()
            self._writer.flush()
            while (entry := self._next()) is not None:
                self._writer.add(*entry)
                with self._lock:
                    self._waiting -= len(entry[1])
            self._writer.close()
        except CaptureError as error:
            with contextlib.suppress(CaptureError):
                self._writer.close()
            self.error = error
