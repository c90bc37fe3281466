"""One pass over a capture, block after block: what has settled is computed, checkpoints are left.

A pass begins at the beginning of the capture or at a checkpoint, and ends early once nobody waits
for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .checkpoints import Checkpoints
from .feed import HELD_NS
from .recorded_run import BEGINNING_NS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from ..ingest import CheckedFrame
    from .feed import Feed
    from .replay import Replay

PACKED_A_BYTE = 16
"""A checkpoint may take so many bytes for each byte of the file since the one before: a small file
may fill the ledger and then say that hours have passed with each of its blocks."""
BETWEEN_NS = HELD_NS // 2
"""Settled seconds are computed this often, before the feed forgets their rows."""


class Stopped(Exception):
    """Nobody waits for the pass any more."""


class ForwardPass:
    """Reads a capture into a feed, whose source has not been drained.

    history_from_ns: settled seconds are computed from then on. stopped: asked before each block.
    """

    def __init__(
        self,
        feed: Feed,
        source: Replay,
        history_from_ns: int,
        checkpoints: Checkpoints,
        stopped: Callable[[], bool],
    ) -> None:
        self.feed = feed
        self._source = source
        self._from_ns = history_from_ns
        self._checkpoints = checkpoints
        self._stopped = stopped
        self._since_ns = BEGINNING_NS  # the rows since then have been read
        self._history_ns: int | None = None  # the settled seconds since then are known
        self._computed_ns = BEGINNING_NS
        self._paid_offset = 0  # no checkpoint is left before this byte of the file

    def resume(self, timestamp_ns: int) -> None:
        """Begin at the last checkpoint from which a reading at a timestamp can be made, if any."""
        found = self._checkpoints.before(timestamp_ns, self.feed.window_ns)
        if found is None:
            return
        self._source.resume(found.offset)
        self.feed.unpack(found.state, found.since_ns)
        self._since_ns = found.since_ns
        if found.history_ns < found.since_ns and found.since_ns >= self._from_ns:
            self._history_ns, self._computed_ns = found.history_ns, self.feed.ledger.latest_ns

    def blocks(self) -> Iterator[list[CheckedFrame]]:
        """Yield the frames of block after block, for the caller to take. Raises Stopped."""
        while (frames := self._source.next_block()) is not None:
            if self._stopped():
                raise Stopped
            yield frames
            self._settle()

    def _settle(self) -> None:
        latest_ns, offset = self.feed.ledger.latest_ns, self._source.offset
        has_history = latest_ns > self._from_ns
        is_due = (
            offset is not None
            and offset >= self._paid_offset
            and self._checkpoints.is_due(latest_ns)
        )
        if has_history and (is_due or latest_ns - self._computed_ns > BETWEEN_NS):
            self._extend(latest_ns)
        if is_due and offset is not None:
            size = self._checkpoints.add(latest_ns, offset, self._history_ns, self.feed.packed)
            self._paid_offset = offset + size // PACKED_A_BYTE

    def _extend(self, latest_ns: int) -> None:
        self.feed.extend_history()
        self._computed_ns = latest_ns
        if self._history_ns is None:
            held_ns = max(self._since_ns, latest_ns - HELD_NS)
            self._history_ns = BEGINNING_NS if held_ns <= self._source.first_ns else held_ns
