"""A capture that is being written, on a thread of its own: compressing holds up nobody who reads.

What has not been written yet is bounded. A file that takes longer than the job needs to record is
given up and said, whole up to there.
"""

from __future__ import annotations

import contextlib
import threading
from queue import SimpleQueue
from typing import TYPE_CHECKING

from .capture import CaptureError
from .limits import WAITING_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from .capture import CaptureWriter

Entry = tuple[int, bytes]
"""Frames as wire bytes, behind the moment by which they had come."""


class Recording:
    """Writes what it is given to an open capture. `error`: why it gave up, None if it has not."""

    def __init__(self, writer: CaptureWriter, past: Iterable[Entry]) -> None:
        self.path = writer.path
        self.error: CaptureError | None = None
        self._writer = writer
        self._entries: SimpleQueue[Entry | None] = SimpleQueue()
        self._lock = threading.Lock()
        self._waiting = 0
        self._thread = threading.Thread(
            target=self._write, args=(list(past),), name="idlehands-capture", daemon=True
        )
        self._thread.start()

    def add(self, at_ns: int, frames: bytes) -> None:
        """Have frames written that had come by `at_ns`; never waits."""
        with self._lock:
            self._waiting += len(frames)
            if self._waiting > WAITING_BYTES and self.error is None:
                self.error = CaptureError(
                    f"{self.path}: could not be written as fast as the job records"
                )
        if self.error is None:
            self._entries.put((at_ns, frames))

    def close(self) -> None:
        """Write what is left, and close the file. Raises CaptureError."""
        self._entries.put(None)
        self._thread.join()
        if self.error is not None:
            raise self.error

    def _write(self, past: list[Entry]) -> None:
        try:
            for at_ns, frames in past:
                self._writer.add(at_ns, frames)
            past.clear()
            self._writer.flush()
            while (entry := self._entries.get()) is not None:
                self._writer.add(*entry)
                with self._lock:
                    self._waiting -= len(entry[1])
            self._writer.close()
        except CaptureError as error:
            self.error = error
            with contextlib.suppress(CaptureError):
                self._writer.close()
