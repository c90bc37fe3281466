"""The replay source: plays a capture, or an SQLite export of one, through the same `drain`.

The playhead moves with the clock that is passed in, at a chosen speed; `drain` returns the blocks
before it.
"""

from __future__ import annotations

import os
from itertools import chain
from time import monotonic
from typing import TYPE_CHECKING

from idlehands.wire import NewerVersion

from ...model.vocabulary import StreamState
from .. import CaptureFrames, CheckedFrame
from ..capture import Block, CaptureError, CaptureReader, NotACapture, as_capture_errors
from ..exports.sqlite_reading import ExportReader, is_sqlite
from ..files import NewFile
from .status import SourceStatus

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable, Iterator

    from idlehands.wire import Frame

COPY_BYTES = 1 << 20
AT_END = "at the end of the capture"
CUT = "a part of the capture"
FACTS = frozenset({"hello", "from", "names", "withdrawn", "process", "window", "mark", "bye"})
"""The kinds of frame that say what a run was, and when; all others are what its pools did."""


def open_recording(path: str) -> CaptureReader | ExportReader:
    """Return a reader of a capture or of an SQLite export. Raises CaptureError or NotACapture."""
    return ExportReader(path) if is_sqlite(path) else CaptureReader(path)


def checked_blocks(
    blocks: Iterable[Block], path: object, wanted: Container[str] | None = None
) -> Iterator[tuple[Block, list[CheckedFrame]]]:
    """Yield the frames of each block, in portions: a whole block is never in memory as frames.

    wanted: the kinds of frame to decode, None for all. Raises NotACapture for frames of a later
    version of the wire.
    """
    frames = CaptureFrames(wanted)
    for block in blocks:
        if block.left_out:
            yield block, list(block.left_out)
        try:
            for portion in frames.feed(block.frames, block.packed_bytes):
                yield block, portion
        except NewerVersion as error:
            raise NotACapture(f"{path}: {error}") from error


class ReplaySource:
    """Plays a capture. Raises CaptureError or NotACapture from the constructor.

    speed: seconds of the capture per second of `clock`, above 0.
    """

    def __init__(
        self, path: str, speed: float = 1.0, clock: Callable[[], float] = monotonic
    ) -> None:
        self.target = os.path.basename(path)
        self._path = path
        self._reader = open_recording(path)
        self._blocks: Iterator[tuple[Block, list[CheckedFrame]]] = checked_blocks(
            self._reader, path
        )
        self._clock = clock
        self._next = next(self._blocks, None)
        self._last = self._next[0] if self._next else Block(0, b"")
        self._first_ns = self._next[0].at_ns if self._next else 0
        self._head_ns = float(self._first_ns)
        self._drained_at = clock()
        self._paused = False
        self._is_cut = False
        self.speed = speed

    @property
    def status(self) -> SourceStatus:
        """How far the replay has come."""
        if self._is_cut:
            return SourceStatus(StreamState.REPLAY, CUT, self._reader.warning)
        if self._next is None:
            return SourceStatus(StreamState.REPLAY, AT_END, self._reader.warning)
        played = (self._head_ns - self._first_ns) / 1e9
        note = f"{played:.0f} s played, at {self.speed:g}×"
        return SourceStatus(StreamState.REPLAY, note, self._reader.warning)

    def drain(self) -> list[CheckedFrame]:
        """Return the frames of the blocks that the playhead has passed since the last call."""
        return [frame for portion in self.portions() for frame in portion]

    def portions(self) -> Iterator[list[CheckedFrame]]:
        """Yield what `drain` returns, in portions."""
        now = self._clock()
        if not self._paused and self._next is not None:
            self._head_ns += (now - self._drained_at) * 1e9 * self.speed
        self._drained_at = now
        head_ns = self._head_ns
        while self._next is not None and self._next[0].at_ns <= head_ns:
            yield self.next_block() or []

    def again(self) -> ReplaySource:
        """Return another replay of the same file from its beginning, at the same speed."""
        return ReplaySource(self._path, self.speed, self._clock)

    def facts(self) -> Iterator[tuple[int, list[CheckedFrame]]]:
        """Yield the frames of `FACTS` in the whole capture, with the time of their block.

        Every block comes at least once, without frames where it has none. Raises NotACapture.
        """
        for block, frames in checked_blocks(open_recording(self._path), self._path, FACTS):
            yield block.at_ns, frames

    @property
    def first_ns(self) -> int:
        """When the first block was closed: the begin of the capture."""
        return self._first_ns

    @property
    def head_ns(self) -> float:
        """The time up to which the capture has been played."""
        return self._head_ns

    def next_block(self) -> list[CheckedFrame] | None:
        """Move the playhead to the next frames, all of one block; return them, None at the end."""
        if self._next is None:
            return None
        block, frames = self._next
        self._head_ns = max(self._head_ns, float(block.at_ns))
        self._next = next(self._blocks, None)
        self._last = block
        return frames

    @property
    def offset(self) -> int | None:
        """Where the next block starts in the file; None inside of a block, and at the end."""
        if self._next is None or self._next[0] is self._last:
            return None
        return self._next[0].start

    def resume(self, offset: int) -> None:
        """Go on with the block that starts at a byte of the file. Raises CaptureError."""
        self._blocks = checked_blocks(self._reader.blocks(offset), self._path)
        self._next = next(self._blocks, None)

    def put_back(self, frames: list[CheckedFrame], head_ns: int) -> None:
        """Take back the frames that were returned last, and set the playhead to `head_ns`.

        They are returned again when the playhead passes their block.
        """
        if self._next is not None:
            self._blocks = chain([self._next], self._blocks)
        self._next = (self._last, frames)
        self._head_ns = float(min(head_ns, self._last.at_ns))

    def play_all(self) -> None:
        """Move the playhead to the end: the next `drain` returns everything that is left."""
        self._head_ns = float("inf")

    def cut(self) -> None:
        """Play no further: what has been played is all that is wanted."""
        self._next, self._is_cut = None, True

    def pause(self, paused: bool) -> None:
        """Stop the playhead, or let it move again."""
        self._paused = paused

    def start_capture(
        self, path: str, *, replace: bool = False, most_bytes: int | None = None
    ) -> None:
        """Copy the capture to `path`, by the rules of `CaptureWriter`. Raises CaptureError."""
        with as_capture_errors(), NewFile(path, replace=replace) as copy:
            try:
                with open(self._path, "rb") as file:
                    while data := file.read(COPY_BYTES):
                        copy.write(data)
            except OSError as error:
                raise CaptureError(f"{self._path}: {error.strerror}") from error

    def note(self, frame: Frame) -> None:
        """Do nothing: a capture is not changed."""

    def stop_capture(self) -> str:
        """Do nothing: the copy is already complete."""
        return ""

    def close(self) -> None:
        """Forget the file."""
        self._next = None
