"""What a session asks of the replay of a capture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, runtime_checkable

from ..ingest.sources.status import Source

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..ingest import CheckedFrame


@runtime_checkable
class Replay(Source, Protocol):
    """A source whose frames can be read again, block by block, from the beginning or a checkpoint.

    speed: seconds of the capture for a second of the clock.
    """

    speed: float

    @property
    def first_ns(self) -> int:
        """When the first block was closed: where the capture begins."""

    @property
    def head_ns(self) -> float:
        """Up to when the capture has been played."""

    @property
    def offset(self) -> int | None:
        """Where the next block starts in the file; None inside of a block, and at the end."""

    def again(self) -> Replay:
        """Return another replay of the same capture from its beginning. Raises CaptureError."""

    def resume(self, offset: int) -> None:
        """Go on with the block that starts at a byte of the file. Raises CaptureError."""

    def next_block(self) -> list[CheckedFrame] | None:
        """Return the next frames, all of one block; None at the end."""

    def put_back(self, frames: list[CheckedFrame], head_ns: int) -> None:
        """Take back the last frames that were returned; the playhead is then at `head_ns`."""

    def play_all(self) -> None:
        """Have the next drain bring everything that is left."""

    def facts(self) -> Iterator[tuple[int, list[CheckedFrame]]]:
        """Yield the frames of each block that say what the run was, with the time of the block."""
