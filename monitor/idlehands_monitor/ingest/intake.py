"""What every live source does with its frames: queue them for the caller, keep them as the recent
past, and write them to an open capture.

Frames are taken in on the source's own thread and drained on another; a capture is begun and
ended on that other one too.
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

PAST_NS = 60_000_000_000
OPENING_BYTES = 8 << 20
"""The latest names of all pools take a few thousand bytes each."""
FRAME_BYTES = 500
"""What a frame takes in memory beside its bytes."""
OPENINGS = {"hello": "hello", "names": "names", "withdrawn": "names", "bye": "bye"}
"""Frames without which the others mean nothing; the last of a sort stands for those before it."""
TOO_FAST = "came faster than they could be read"


@dataclass(frozen=True, slots=True)
class _Opening:
    """A frame that says who or what the others are of, and the frame that says which process."""

    frames: tuple[CheckedFrame, ...]
    raw: bytes


class Intake:
    """The frames of one stream, each with its bytes. `last_data` is when the last ones came.

    has_begun: whether any have come.
    """

    def __init__(self) -> None:
        self.has_begun = False
        self.last_data = monotonic()
        self.warning = ""
        self._lock = threading.Lock()  # guards all below; held for no work but taking note
        self._frames: list[CheckedFrame] = []
        self._queued = 0
        self._missed = 0
        self._missed_openings: dict[str, _Opening] = {}
        self._past: deque[Entry] = deque()
        self._history_bytes = 0
        self._history_is_cut = False
        self._openings: dict[str, _Opening] = {}
        self._opening_bytes = 0
        self._recording: Recording | None = None

    def begin(self) -> None:
        """Start a stream anew: what is kept of another process is no past of this one."""
        self.last_data = monotonic()
        self.warning = ""
        with self._lock:
            self._past.clear()
            self._history_bytes = self._opening_bytes = 0
            self._history_is_cut = False
            self._openings.clear()

    def take(self, pieces: list[Piece], pid: int | None = None) -> None:
        """Queue frames for the caller, keep them as past, and write them to an open capture.

        With `pid`, of several processes, each batch begins by saying which one it is from.
        """
        if pid is not None:
            pieces = [*made({"frame": "from", "pid": pid}), *pieces]
        data = b"".join(raw for _, raw in pieces)
        with self._lock:
            openings = self._note_openings(pieces, pid)
            at_ns = monotonic_ns()
            self._keep(at_ns, data)
            if self._recording is not None:
                self._recording.add(at_ns, data)
                if self._recording.error is not None:
                    self.warning = f"capture stopped: {self._recording.error}"
                    self._recording = None
            weight = len(data) + FRAME_BYTES * len(pieces)
            if self._missed or (self._queued and self._queued + weight > QUEUE_BYTES):
                self._missed += len(pieces)
                self._missed_openings.update(openings)
            else:
                self._queued += weight
                self._frames += [frame for frame, _ in pieces]
        self.has_begun = True

    def _note_openings(self, pieces: list[Piece], pid: int | None) -> dict[str, _Opening]:
        """Keep the frames without which the others mean nothing; return those of this batch."""
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
            self._openings[key] = opening  # at the end: the order is who was heard of last
        while self._opening_bytes > OPENING_BYTES:
            oldest = next((key for key in self._openings if " names " in key), None)
            if oldest is None:
                break
            self._opening_bytes -= len(self._openings.pop(oldest).raw)
        return found

    def _keep(self, at_ns: int, data: bytes) -> None:
        self._past.append((at_ns, data))
        self._history_bytes += len(data) + FRAME_BYTES
        while self._past and (
            self._history_bytes > HISTORY_BYTES or self._past[0][0] < at_ns - PAST_NS
        ):
            self._history_bytes -= len(self._past.popleft()[1]) + FRAME_BYTES
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

    def start_capture(self, path: str, *, replace: bool = False) -> None:
        """Begin writing the stream to `path`, the recent past first. Raises CaptureError."""
        writer = CaptureWriter(path, replace=replace)
        with self._lock:
            past = list(self._past)
            if self._history_is_cut:  # it no longer begins with who and what this is
                at_ns = past[0][0] if past else monotonic_ns()
                past[:0] = [(at_ns, opening.raw) for opening in self._openings.values()]
            self._recording = Recording(writer, past)

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open. Raises CaptureError."""
        with self._lock:
            recording, self._recording = self._recording, None
        if recording is None:
            return ""
        recording.close()
        return recording.path

    def close(self) -> None:
        """Close an open capture whole, as far as that can be done."""
        with contextlib.suppress(CaptureError):
            self.stop_capture()


def made(frame: Frame) -> list[Piece]:
    """Return a frame that the monitor makes, as if it had come. Raises WireError if it is long."""
    return pieces_of(encode(frame))


class TakingSource(ABC):
    """What live sources have in common: a thread whose loop takes frames in, and what becomes of
    them."""

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
        """Take in frames until nothing can come any more; cancelled when the source is closed."""

    def _take_in(self) -> None:
        async def until_closed() -> None:
            with contextlib.suppress(asyncio.CancelledError):
                await self._running

        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(until_closed())

    def close(self) -> None:
        """End the stream; bounded in time. An open capture is closed whole."""
        with contextlib.suppress(RuntimeError):  # the loop has ended by itself
            self._loop.call_soon_threadsafe(self._running.cancel)
        self._thread.join(2.0)
        self._intake.close()

    @property
    def has_begun(self) -> bool:
        """Whether anything has come."""
        return self._intake.has_begun

    @property
    @abstractmethod
    def status(self) -> SourceStatus:
        """How the stream stands now."""

    def drain(self) -> list[CheckedFrame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""
        return self._intake.drain()

    def portions(self) -> Iterator[list[CheckedFrame]]:
        """Yield what `drain` returns: what waits is bounded."""
        yield self.drain()

    def start_capture(self, path: str, *, replace: bool = False) -> None:
        """Begin writing the stream to `path`, the recent past first. Raises CaptureError."""
        self._intake.start_capture(path, replace=replace)

    def note(self, frame: Frame) -> None:
        """Put a frame of the monitor's own into the stream, and into an open capture."""
        self._loop.call_soon_threadsafe(self._intake.take, made(frame))

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open. Raises CaptureError."""
        return self._intake.stop_capture()

    def pause(self, paused: bool) -> None:  # noqa: B027 - nothing to do for what is live
        """Do nothing: a live stream goes on."""
