"""How long intervals were: counts by class of length. Data only, part of a `PoolReading`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LengthsReading:
    """The lengths of some intervals.

    edges_s: n + 1 edges in seconds, each a fixed factor above the one before; counts: how many
    intervals were in each of the n classes, from its lower edge to below its upper one. The first
    and the last class hold at least one. median_s, p99_s: quantiles of all lengths.
    """

    edges_s: tuple[float, ...]
    counts: tuple[int, ...]
    median_s: float
    p99_s: float

    @property
    def total(self) -> int:
        """How many intervals there were."""
        return sum(self.counts)


@dataclass(frozen=True, slots=True)
class PoolLengths:
    """How long a pool's tasks took, and how long its workers searched and were parked at a time.

    Of intervals that ended in the window, and of those that were open at its end, as long as they
    were then. A task is counted from begin to end, with the waits in it. None without any, searches
    and parks also where tasks left no row: idle intervals are not known then.
    """

    tasks: LengthsReading | None = None
    searches: LengthsReading | None = None
    parks: LengthsReading | None = None


NO_LENGTHS = PoolLengths()
