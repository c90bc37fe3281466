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

from ..capture import CaptureError, CaptureWriter

if TYPE_CHECKING:
    from idlehands.wire import Frame

    from .status import SourceStatus

PAST_NS = 60_000_000_000
PAST_BYTES = 48 << 20
"""How much of the recent past is kept, to begin a capture with."""


@dataclass(frozen=True, slots=True)
class _Piece:
    at_ns: int
    frames: bytes


class Intake:
    """The frames of one stream, each with its bytes. `last_data` is when the last ones came.

    has_begun: whether any have come.
    """

    def __init__(self) -> None:
        self.has_begun = False
        self.last_data = monotonic()
        self.warning = ""
        self._frames: deque[Frame] = deque()
        self._past: deque[_Piece] = deque()
        self._past_bytes = 0
        self._past_is_cut = False
        self._opening: dict[str, bytes] = {}
        self._capture: CaptureWriter | None = None
        self._capture_lock = threading.Lock()

    def begin(self) -> None:
        """Start a stream anew: what is kept of another process is no past of this one."""
        self.last_data = monotonic()
        self.warning = ""
        with self._capture_lock:
            self._past.clear()
            self._past_bytes = 0
            self._past_is_cut = False
            self._opening.clear()

    def take(self, pieces: list[tuple[Frame, bytes]], pid: int | None = None) -> None:
        """Queue frames for the caller, keep them as past, and write them to an open capture.

        With `pid`, of several processes, each batch begins by saying which one it is from.
        """
        origin = b""
        if pid is not None:
            said = {"frame": "from", "pid": pid}
            origin = encode(said)
            pieces = [(said, origin), *pieces]
        for frame, raw in pieces:
            if frame["frame"] in ("hello", "names"):
                self._opening[f"{pid} {frame['frame']} {frame.get('pool')}"] = origin + raw
        piece = _Piece(monotonic_ns(), b"".join(raw for _, raw in pieces))
        with self._capture_lock:
            self._keep(piece)
            if self._capture is not None:
                try:
                    self._capture.add(piece.at_ns, piece.frames)
                except CaptureError as error:
                    self._capture, self.warning = None, f"capture stopped: {error}"
        self._frames.extend(frame for frame, _ in pieces)
        self.has_begun = True

    def _keep(self, piece: _Piece) -> None:
        self._past.append(piece)
        self._past_bytes += len(piece.frames)
        while self._past and (
            self._past_bytes > PAST_BYTES or self._past[0].at_ns < piece.at_ns - PAST_NS
        ):
            self._past_bytes -= len(self._past.popleft().frames)
            self._past_is_cut = True

    def drain(self) -> list[Frame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""
        frames = []
        while self._frames:
            frames.append(self._frames.popleft())
        return frames

    def start_capture(self, path: str, *, replace: bool = False) -> None:
        """Begin writing the stream to `path`, the recent past first. Raises CaptureError."""
        writer = CaptureWriter(path, replace=replace)
        with self._capture_lock:
            if self._past_is_cut:  # it no longer begins with who and what this is
                for frames in self._opening.values():
                    writer.add(self._past[0].at_ns if self._past else monotonic_ns(), frames)
            for piece in self._past:
                writer.add(piece.at_ns, piece.frames)
            writer.flush()
            self._capture = writer

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open. Raises CaptureError."""
        with self._capture_lock:
            writer, self._capture = self._capture, None
            if writer is None:
                return ""
            writer.close()
            return writer.path

    def close(self) -> None:
        """Close an open capture whole, as far as that can be done."""
        with contextlib.suppress(CaptureError):
            self.stop_capture()


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

    def drain(self) -> list[Frame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""
        return self._intake.drain()

    def start_capture(self, path: str, *, replace: bool = False) -> None:
        """Begin writing the stream to `path`, the recent past first. Raises CaptureError."""
        self._intake.start_capture(path, replace=replace)

    def note(self, frame: Frame) -> None:
        """Put a frame of the monitor's own into the stream, and into an open capture."""
        self._loop.call_soon_threadsafe(self._intake.take, [(frame, encode(frame))])

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open. Raises CaptureError."""
        return self._intake.stop_capture()

    def pause(self, paused: bool) -> None:  # noqa: B027 - nothing to do for what is live
        """Do nothing: a live stream goes on."""
