"""What every live source does with its frames: queue them for the caller, hold them as recent
history, and write them to an open capture.

Frames are taken in on the source's own thread. The caller's thread drains them, and begins and ends
a capture.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass
from time import monotonic, monotonic_ns
from typing import TYPE_CHECKING

from idlehands.wire import encode

from . import CheckedFrame, Piece, skipped
from . import pieces as pieces_of
from .capture import CaptureError, CaptureWriter
from .limits import HISTORY_BYTES, QUEUE_BYTES
from .recording import Entry, Recording

if TYPE_CHECKING:
    from collections.abc import Iterator

    from idlehands.wire import Frame

    from .sources.status import SourceStatus

HISTORY_NS = 60_000_000_000
OPENING_BYTES = 8 << 20
"""For the latest names frame of every pool, which takes a few thousand bytes."""
FRAME_BYTES = 500
"""Memory of a frame beside its bytes."""
OPENINGS = {"hello": "hello", "names": "names", "withdrawn": "names", "bye": "bye"}
"""Frames that the others need to be understood; the latest of a sort replaces those before it."""
TOO_FAST = "arrived faster than the monitor could read them"


@dataclass(frozen=True, slots=True)
class _Opening:
    """A frame of `OPENINGS`, behind the frame that says which process it is from."""

    frames: tuple[CheckedFrame, ...]
    raw: bytes


class Intake:
    """The frames of one stream, each with its bytes.

    last_data: when the last frames arrived, in seconds of the monotonic clock. has_begun: whether
    any have arrived. warning: one line, empty for none.
    """

    def __init__(self) -> None:
        self.has_begun = False
        self.last_data = monotonic()
        self.warning = ""
        self._lock = threading.Lock()  # guards all below, and is held only briefly
        self._frames: list[CheckedFrame] = []
        self._queued = 0
        self._missed = 0
        self._missed_openings: dict[str, _Opening] = {}
        self._history: deque[Entry] = deque()
        self._history_bytes = 0
        self._history_is_cut = False
        self._openings: dict[str, _Opening] = {}
        self._opening_bytes = 0
        self._recording: Recording | None = None
        self._failed: Recording | None = None

    def begin(self) -> None:
        """Start a new stream: the history of another process is not part of this one."""
        self.last_data = monotonic()
        self.warning = ""
        with self._lock:
            self._history.clear()
            self._history_bytes = self._opening_bytes = 0
            self._history_is_cut = False
            self._openings.clear()

    def take(self, pieces: list[Piece], pid: int | None = None) -> None:
        """Queue frames for the caller, add them to the history, and write them to an open capture.

        With `pid`, for a job of several processes, a ``from`` frame goes before each batch.
        """
        if pid is not None:
            pieces = [*made({"frame": "from", "pid": pid}), *pieces]
        data = b"".join(raw for _, raw in pieces)
        with self._lock:
            openings = self._note_openings(pieces, pid)
            at_ns = monotonic_ns()
            self._extend_history(at_ns, data)
            if self._recording is not None:
                self._recording.add(at_ns, data)
                if self._recording.error is not None:
                    self.warning = f"capture stopped: {self._recording.error}"
                    self._failed, self._recording = self._recording, None
            weight = len(data) + FRAME_BYTES * len(pieces)
            if self._missed or (self._queued and self._queued + weight > QUEUE_BYTES):
                self._missed += len(pieces)
                self._missed_openings.update(openings)
            else:
                self._queued += weight
                self._frames += [frame for frame, _ in pieces]
        self.has_begun = True

    def _note_openings(self, pieces: list[Piece], pid: int | None) -> dict[str, _Opening]:
        """Keep the frames of `OPENINGS`; return those of this batch, by process, sort and pool."""
        found: dict[str, _Opening] = {}
        origin = pieces[:1] if pid is not None else []
        for frame, raw in pieces:
            kind = frame["frame"]
            if kind in OPENINGS:
                both = [*origin, (frame, raw)]
                key = f"{pid} {OPENINGS[kind]} {frame.get('pool')}"
                found[key] = _Opening(
                    tuple(one for one, _ in both), b"".join(raw for _, raw in both)
                )
        for key, opening in found.items():
            before = self._openings.pop(key, None)
            self._opening_bytes += len(opening.raw) - (len(before.raw) if before else 0)
            self._openings[key] = opening  # moved to the end: the oldest goes first
        while self._opening_bytes > OPENING_BYTES:
            oldest = next((key for key in self._openings if " names " in key), None)
            if oldest is None:
                break
            self._opening_bytes -= len(self._openings.pop(oldest).raw)
        return found

    def _extend_history(self, at_ns: int, data: bytes) -> None:
        self._history.append((at_ns, data))
        self._history_bytes += len(data) + FRAME_BYTES
        while self._history and (
            self._history_bytes > HISTORY_BYTES or self._history[0][0] < at_ns - HISTORY_NS
        ):
            self._history_bytes -= len(self._history.popleft()[1]) + FRAME_BYTES
            self._history_is_cut = True

    def drain(self) -> list[CheckedFrame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""
        with self._lock:
            frames, self._frames = self._frames, []
            missed, self._missed = self._missed, 0
            openings, self._missed_openings = self._missed_openings, {}
            self._queued = 0
        if missed:
            frames.append(skipped("frames", TOO_FAST, missed))
            frames += [frame for opening in openings.values() for frame in opening.frames]
        return frames

    def start_capture(
        self, path: str, *, replace: bool = False, most_bytes: int | None = None
    ) -> None:
        """Begin writing the stream to `path`, the recent history first. Raises CaptureError."""
        writer = CaptureWriter(path, replace=replace, most_bytes=most_bytes)
        with self._lock:
            history = list(self._history)
            if self._history_is_cut:  # its first frames, which name the pools, may be gone
                at_ns = history[0][0] if history else monotonic_ns()
                history[:0] = [(at_ns, opening.raw) for opening in self._openings.values()]
            self._recording = Recording(writer, history)

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open. Raises CaptureError."""
        with self._lock:
            recording, self._recording = self._recording, None
            failed, self._failed = self._failed, None
        if failed is not None:
            failed.wait()
        if recording is None:
            return ""
        recording.close()
        return recording.path

    def close(self) -> None:
        """Close an open capture, with all that can still be written to it."""
        with contextlib.suppress(CaptureError):
            self.stop_capture()


def made(frame: Frame) -> list[Piece]:
    """Return a frame of the monitor as if it had arrived. Raises WireError if it is too long."""
    return pieces_of(encode(frame))


class TakingSource(ABC):
    """The base of live sources: a thread whose loop takes frames in, and the frames' `Intake`."""

    def __init__(self, target: str) -> None:
        self.target = target
        self._intake = Intake()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._take_in, name="idlehands-source", daemon=True)

    def _start(self) -> None:
        self._running = self._loop.create_task(self._run())
        self._thread.start()

    @abstractmethod
    async def _run(self) -> None:
        """Take in frames until the stream ends; cancelled when the source is closed."""

    def _take_in(self) -> None:
        async def until_closed() -> None:
            with contextlib.suppress(asyncio.CancelledError):
                await self._running

        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(until_closed())

    def close(self) -> None:
        """End the stream and close an open capture; bounded in time."""
        with contextlib.suppress(RuntimeError):  # the loop has already ended
            self._loop.call_soon_threadsafe(self._running.cancel)
        self._thread.join(2.0)
        self._intake.close()

    @property
    def has_begun(self) -> bool:
        """Whether any frame has arrived."""
        return self._intake.has_begun

    @property
    @abstractmethod
    def status(self) -> SourceStatus:
        """The present state of the stream."""

    def drain(self) -> list[CheckedFrame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""
        return self._intake.drain()

    def portions(self) -> Iterator[list[CheckedFrame]]:
        """Yield what `drain` returns, as one portion: the queue is bounded."""
        yield self.drain()

    def start_capture(
        self, path: str, *, replace: bool = False, most_bytes: int | None = None
    ) -> None:
        """Begin writing the stream to `path`, the recent history first. Raises CaptureError."""
        self._intake.start_capture(path, replace=replace, most_bytes=most_bytes)

    def note(self, frame: Frame) -> None:
        """Put a frame made by the monitor into the stream, and into an open capture."""
        self._loop.call_soon_threadsafe(self._intake.take, made(frame))

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open. Raises CaptureError."""
        return self._intake.stop_capture()

    def pause(self, paused: bool) -> None:  # noqa: B027 - a live stream has nothing to pause
        """Do nothing: a live stream goes on."""
