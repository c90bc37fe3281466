"""Counts of steal attempts: cumulative, by pair of thief and victim, in snapshots over time. Pure.

A snapshot copies only the counts of thieves that have changed since the one before. So the work
grows with the attempts and not with the number of pairs: a thousand workers have a million pairs.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..ingest import CheckedFrame, Refused
from ..model.arrays import Int64

if TYPE_CHECKING:
    from collections.abc import Iterator


MOST_SNAPSHOTS, LEAST_SNAPSHOTS = 128, 8
SNAPSHOT_BYTES = 64 << 20
"""Memory for all snapshots of a pool: those of a large pool are further apart."""
SNAPSHOT_SPACING_NS = 500_000_000
MOST_WAITING = 64
"""Frames that may wait for the levels frame with their timestamp: a flush sends a few."""


@dataclass(slots=True)
class CounterSnapshot:
    """Cumulative steal attempts of `side` workers at one time.

    by_thief: counts of each thief with attempts, shape (3, side): hits, empties, lost races.
    """

    at_ns: int
    side: int
    by_thief: dict[int, Int64]

    @property
    def counts(self) -> Int64:
        """Hits, empties and lost races, each thief by victim; shape (3, side, side)."""
        counts = np.zeros((3, self.side, self.side), dtype=np.int64)
        for thief, counted in self.by_thief.items():
            counts[:, thief] = counted
        return counts

    @property
    def totals(self) -> tuple[int, int, int]:
        """Hits, empties and lost races of all pairs together."""
        hits, empties, lost = sum(
            (counted.sum(axis=1) for counted in self.by_thief.values()), np.zeros(3, dtype=np.int64)
        )
        return int(hits), int(empties), int(lost)


class AttemptCounts:
    """The steal attempts of one pool of `side` workers."""

    def __init__(self, side: int = 0) -> None:
        self.side = side
        self.snapshots: deque[CounterSnapshot] = deque()
        self._by_thief: dict[int, Int64] = {}
        self._shared: set[int] = set()  # thieves whose counts an earlier snapshot holds too
        self._waiting: list[CheckedFrame] = []
        self._spacing_ns = SNAPSHOT_SPACING_NS

    def add(self, frame: CheckedFrame) -> None:
        """Take a ``counters`` frame. Raises Refused for workers that the pool does not have."""
        side, thief = self.side, frame["thief"]
        if "totals" in frame:
            known = 0 <= thief < side and frame["totals"].shape[1] == side
        else:
            both = np.stack([thief, frame["victim"]])
            known = bool(((both >= 0) & (both < side)).all())
        if not known:
            raise Refused("for workers that the pool does not have")
        self._waiting.append(frame)
        if len(self._waiting) > MOST_WAITING:
            self._count()

    def note(self, at_ns: int) -> None:
        """Make a snapshot: all frames that have arrived count attempts up to `at_ns`.

        The latest counts are always held; older snapshots are thinned evenly to a bounded number.
        """
        held = self.snapshots
        if len(held) > 1 and at_ns - held[-2].at_ns < self._spacing_ns:
            held[-1].at_ns = at_ns
        else:
            if held:
                held[-1].by_thief = dict(self._by_thief)
                self._shared = set(self._by_thief)
            held.append(CounterSnapshot(at_ns, self.side, self._by_thief))
        self._count()
        most = SNAPSHOT_BYTES // max(1, 24 * self.side * len(self._by_thief))
        if len(held) > max(LEAST_SNAPSHOTS, min(MOST_SNAPSHOTS, most)):
            self._spacing_ns *= 2
            self.snapshots = deque([*list(held)[:-1:2], held[-1]])

    def _count(self) -> None:
        for frame in self._waiting:
            if "totals" in frame:  # before version 3: all attempts of one thief
                self._by_thief[frame["thief"]] = frame["totals"].copy()
                self._shared.discard(frame["thief"])
                continue
            for thief, victims, added in _by_thief(frame):
                self._own(thief)[:, victims] += added
        self._waiting.clear()

    def _own(self, thief: int) -> Int64:
        """Return a thief's present counts, copied if a snapshot holds them too."""
        counted = self._by_thief.get(thief)
        if counted is None:
            self._by_thief[thief] = counted = np.zeros((3, self.side), dtype=np.int64)
        elif thief in self._shared:
            self._by_thief[thief] = counted = counted.copy()
        self._shared.discard(thief)
        return counted

    def between(self, begin_ns: int, end_ns: int, declared_ns: int) -> Int64:
        """Return the steal attempts between two timestamps, shape (3, side, side).

        The difference of the last snapshot up to `begin_ns` and the first one at or after `end_ns`.
        Up to its declaration a pool has no attempts.
        """
        if not self.snapshots:
            return np.zeros((3, self.side, self.side), dtype=np.int64)
        timestamps = [snapshot.at_ns for snapshot in self.snapshots]
        counts = self.snapshots[min(len(timestamps) - 1, bisect_left(timestamps, end_ns))].counts
        if begin_ns > declared_ns:
            counts -= self.snapshots[max(0, bisect_right(timestamps, begin_ns) - 1)].counts
        return counts

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop the snapshots that no window after `timestamp_ns` needs."""
        while len(self.snapshots) > 1 and self.snapshots[1].at_ns <= timestamp_ns:
            self.snapshots.popleft()


def _by_thief(frame: CheckedFrame) -> Iterator[tuple[int, Int64, Int64]]:
    """Yield each thief of a frame with its victims, each once, and the attempts at each.

    The attempts have shape (3, victims).
    """
    thief, victim = frame["thief"], frame["victim"]
    if not len(thief):
        return
    order = np.lexsort((victim, thief))
    thief, victim = thief[order], victim[order]
    is_other = np.append(True, thief[1:] != thief[:-1])
    pairs = np.flatnonzero(is_other | np.append(True, victim[1:] != victim[:-1]))
    added = np.add.reduceat(np.stack(frame["added"])[:, order], pairs, axis=1)
    starts = np.flatnonzero(is_other[pairs])
    thieves = thief[pairs[starts]].tolist()
    for number, low, high in zip(thieves, starts, [*starts[1:], len(pairs)], strict=True):
        yield number, victim[pairs[low:high]], added[:, low:high]
