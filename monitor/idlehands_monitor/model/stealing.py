"""What a reading says of steal attempts: counts per pair, thieves, victims, and their choice.

Data only, but for sums of the counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from .arrays import Int64
from .vocabulary import Verdict


@dataclass(frozen=True, slots=True)
class ThiefChoice:
    """One thief's steal attempts against an even choice; adjusted_p: over all thieves tested."""

    thief: int
    attempts: int
    chi_square: float
    p: float
    adjusted_p: float


@dataclass(frozen=True, slots=True)
class VictimChoice:
    """Whether a pool's victims are chosen evenly.

    verdict: kept means even; unknown means too few steal attempts. pattern: "fixed order",
    "nearest neighbour", "one victim", "never tried", or "". effect: J. Cohen's w for goodness of
    fit, pooled over the thieves tested and corrected for chance, √(max(0, Σχ² − Σdf)/Σattempts).
    concentration: effect/√(victims − 1), as in Cramér's V: 0 is even, 1 is one victim per thief.
    chi_square, degrees, p, attempts: of all thieves tested together. never_tried: pairs (thief,
    victim) without any attempt where an even choice expects at least `NEVER_EXPECTED`, the first
    `MOST_NEVER_TRIED` of them.
    """

    verdict: Verdict
    pattern: str
    effect: float
    concentration: float
    attempts: int
    chi_square: float
    degrees: int
    p: float
    thieves: tuple[ThiefChoice, ...]
    never_tried: tuple[tuple[int, int], ...]


Matrix = tuple[tuple[int, ...], ...]
"""Counts, one row a thief, one column a victim."""


@dataclass(frozen=True, eq=False)
class StealReading:
    """Steal attempts in the window. attempts = hits + empties + lost_races, per pair.

    `counts` are these three, shape (3, workers, workers), thief by victim.
    """

    counts: Int64

    @cached_property
    def hits(self) -> Matrix:
        """Attempts that took a task, per pair."""
        return _matrix(self.counts[0])

    @cached_property
    def empties(self) -> Matrix:
        """Attempts that found an empty deque, per pair."""
        return _matrix(self.counts[1])

    @cached_property
    def lost_races(self) -> Matrix:
        """Attempts at a task that another worker took first, per pair."""
        return _matrix(self.counts[2])

    @property
    def attempts_total(self) -> int:
        """All attempts."""
        return self.hits_total + self.empties_total + self.lost_races_total

    @property
    def hits_total(self) -> int:
        """Attempts that took a task."""
        return int(self.counts[0].sum())

    @property
    def empties_total(self) -> int:
        """Attempts that found an empty deque."""
        return int(self.counts[1].sum())

    @property
    def lost_races_total(self) -> int:
        """Attempts at a task that another worker took first."""
        return int(self.counts[2].sum())


def _matrix(counts: Int64) -> Matrix:
    return tuple(map(tuple, counts.tolist()))


Counts = tuple["int | None", ...]


@dataclass(frozen=True, slots=True)
class StealTimeline:
    """Steal attempts in slices of a window, oldest first.

    edges_s: n + 1 edges in seconds from the window's begin. counted_s: the time between the two
    snapshots that bound a slice's counts, 0 where it has none. attempts = hits + empties +
    lost_races in each slice, None where it has no snapshot.
    """

    edges_s: tuple[float, ...]
    counted_s: tuple[float, ...]
    attempts: Counts
    hits: Counts
    empties: Counts
    lost_races: Counts

    @property
    def slice_s(self) -> float:
        """The length of a slice that the window does not shorten."""
        return max((after - before for before, after in pairwise(self.edges_s)), default=0.0)


@dataclass(frozen=True, slots=True)
class NextTaskReading:
    """How long an idle worker took to its next task: `count` times; median_s, high_s may be None.

    Measured from the begin of the first search or park after a task (or after a wait in a task) to
    the begin of the worker's next task. Both lie inside the window, and no other task or wait
    begins or ends between them. median_s, high_s are None where count is 0.
    """

    count: int
    median_s: float | None
    high_s: float | None


@dataclass(frozen=True, slots=True)
class ThiefReading:
    """One worker as a thief: its steal attempts, its hits, and how soon it had a task again.

    attempts_per_hit: None without a hit. attempts_at_random: the mean attempts per hit that a
    random choice of victims would have needed, given the deques that held work; None where that is
    not known, or no deque held any.
    """

    worker: int
    attempts: int
    hits: int
    attempts_per_hit: float | None
    to_next_task: NextTaskReading
    attempts_at_random: float | None = None


@dataclass(frozen=True, slots=True)
class VictimReading:
    """One worker as a victim: attempts at its deque, tasks taken from it, and its net giving.

    net_given: tasks taken from it less tasks that it took; below 0 it took more.
    """

    worker: int
    attempts: int
    hits: int
    net_given: int


@dataclass(frozen=True, slots=True)
class StealingReading:
    """Figures of the steal attempts of a window.

    net_flow: tasks, row v column t: taken by t from v, less taken by v from t. feeders: the workers
    with the largest net giving, the largest first, at most `MOST_FEEDERS`. with_work: how many of
    the other workers must have had work on average, if victims were chosen at random; None without
    attempts. attempts_at_random: attempts per hit that a random choice would have needed, see the
    module `with_work`. timeline: the attempts over time.
    """

    by_thief: tuple[ThiefReading, ...]
    by_victim: tuple[VictimReading, ...]
    net_flow: Matrix
    feeders: tuple[VictimReading, ...]
    attempts_per_hit: float | None
    with_work: float | None
    to_next_task: NextTaskReading
    choice: VictimChoice
    attempts_at_random: float | None
    timeline: StealTimeline


class Flow(NamedTuple):
    """Tasks that went from one worker to another, less those that came back."""

    giver: int
    taker: int
    tasks: int


def largest_flows(net_flow: Matrix, most: int) -> list[Flow]:
    """Return the largest net flows, at most `most`; equal ones ordered by giver, then taker."""
    flow = np.asarray(net_flow, dtype=np.int64)
    if not flow.size:
        return []
    order = np.argsort(-flow, axis=None, kind="stable")[:most]
    places = zip(*(axis.tolist() for axis in np.unravel_index(order, flow.shape)), strict=True)
    found = [Flow(giver, taker, int(flow[giver, taker])) for giver, taker in places]
    return [one for one in found if one.tasks > 0]
