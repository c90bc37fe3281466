"""Places in a capture from which reading can go on, so that a jump need not start at its beginning.

A reading depends on all that came before it: running numbers of rows, cumulative counts, names. A
checkpoint holds what a feed knew at the end of a block, with the rows of the last seconds only, and
where the next block begins. It is pickled: its size is known, and no two feeds share anything.
"""

from __future__ import annotations

import pickle
import zlib
from bisect import bisect_right, insort
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from .pickled import pickled

if TYPE_CHECKING:
    from collections.abc import Callable

SPACING_NS = 10_000_000_000
"""Checkpoints are so far apart, and further once they have come to `MOST_BYTES`."""
ROWS_NS = 3_000_000_000
"""A checkpoint has the rows of the last so long: those of the second that has not settled yet."""
MOST_BYTES = 48 << 20
HISTORY_NS = 120_000_000_000
"""Views draw no more settled seconds than these on any screen that there is."""


class Packed(NamedTuple):
    """The state of a feed as bytes, and how many bytes that was before it was compressed."""

    state: bytes
    size: int


class Checkpoint(NamedTuple):
    """A feed at the end of a block.

    since_ns: the rows since then are in it. history_ns: the settled seconds since then are in it,
    without a gap. offset: of the next block in the file. state: see `Feed.packed`.
    """

    since_ns: int
    history_ns: int
    offset: int
    state: bytes


class Checkpoints:
    """The checkpoints of one capture, in the order of time. Their bytes are bounded."""

    def __init__(self, spacing_ns: int = SPACING_NS, most_bytes: int = MOST_BYTES) -> None:
        self._held: list[Checkpoint] = []
        self._spacing_ns = spacing_ns
        self._most_bytes = most_bytes

    def __len__(self) -> int:
        return len(self._held)

    def is_due(self, latest_ns: int) -> bool:
        """Return whether the checkpoints before and after a time are far enough away."""
        since_ns = latest_ns - ROWS_NS
        place = bisect_right(self._held, since_ns, key=attrgetter("since_ns"))
        near = self._held[max(0, place - 1) : place + 1]
        return latest_ns >= 0 and all(
            abs(one.since_ns - since_ns) >= self._spacing_ns for one in near
        )

    def add(
        self, latest_ns: int, offset: int, history_ns: int | None, pack: Callable[[int], Packed]
    ) -> int:
        """Keep a checkpoint at the latest time of a feed; return the bytes that were packed.

        offset: where the block begins that the feed has not taken yet. history_ns: None where the
        feed has no settled seconds. pack: returns the state of the feed, with the rows since a
        time.
        """
        since_ns = latest_ns - ROWS_NS
        known_ns = since_ns if history_ns is None else history_ns
        state, size = pack(since_ns)
        insort(
            self._held,
            Checkpoint(since_ns, known_ns, offset, state),
            key=attrgetter("since_ns"),
        )
        while len(self._held) > 1 and sum(len(one.state) for one in self._held) > self._most_bytes:
            self._held = self._held[::2]
            self._spacing_ns *= 2
        return size

    def before(self, timestamp_ns: int, window_ns: int | None) -> Checkpoint | None:
        """Return the last checkpoint from which a reading at a timestamp can be made; None where
        only the beginning will do."""
        if window_ns is None:
            return None
        since_ns = timestamp_ns - window_ns - ROWS_NS
        fit = [
            one
            for one in self._held
            if one.since_ns <= since_ns and one.history_ns <= timestamp_ns - HISTORY_NS
        ]
        return fit[-1] if fit else None


def packed(held: object, since_ns: int) -> Packed:
    """Return objects as bytes, their tables with the rows since a time."""
    state = pickled(held, since_ns)
    return Packed(zlib.compress(state, 1), len(state))


def unpacked(state: bytes) -> Any:
    """Return what `packed` was given. The bytes are this process's own, and of nobody else."""
    return pickle.loads(zlib.decompress(state))  # noqa: S301 - never bytes of a file
