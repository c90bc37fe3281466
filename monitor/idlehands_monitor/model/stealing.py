"""What a reading says of steal attempts: counts per pair, thieves, victims, and their choice."""

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
    """One thief's looks against an even choice; adjusted_p: over the thieves tested."""

    thief: int
    attempts: int
    chi_square: float
    p: float
    adjusted_p: float


@dataclass(frozen=True, slots=True)
class VictimChoice:
    """Whether a pool's victims are chosen evenly.

    verdict: kept means even; unknown, too few steal attempts. pattern: "fixed order",
    "nearest neighbour", "one victim", "never tried", or "". effect: J. Cohen's w for goodness of
    fit, pooled over the thieves tested and corrected for chance, √(max(0, Σχ² − Σdf)/Σlooks);
    concentration: the same in the manner of Cramér's V, effect/√(victims − 1): 0 even, 1 where
    each thief has one victim. chi_square, degrees, p: of all thieves tested together. looks: of
    those. never_tried: (thief, victim) of which an even choice expects at least `NEVER_EXPECTED`
    looks and there is none, the first `MOST_NEVER_TRIED`.
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
    """Looks at other deques in the window. attempts = hits + empties + lost_races, per pair.

    `counts` are these three, shape (3, workers, workers), thief by victim.
    """

    counts: Int64

    @cached_property
    def hits(self) -> Matrix:
        """Looks that took a task, per pair."""
        return _matrix(self.counts[0])

    @cached_property
    def empties(self) -> Matrix:
        """Looks that found an empty deque, per pair."""
        return _matrix(self.counts[1])

    @cached_property
    def lost_races(self) -> Matrix:
        """Looks at a task that somebody else got first, per pair."""
        return _matrix(self.counts[2])

    @property
    def attempts_total(self) -> int:
        """All looks."""
        return self.hits_total + self.empties_total + self.lost_races_total

    @property
    def hits_total(self) -> int:
        """Looks that took a task."""
        return int(self.counts[0].sum())

    @property
    def empties_total(self) -> int:
        """Looks that found an empty deque."""
        return int(self.counts[1].sum())

    @property
    def lost_races_total(self) -> int:
        """Looks at a task that somebody else got first."""
        return int(self.counts[2].sum())


def _matrix(counts: Int64) -> Matrix:
    return tuple(map(tuple, counts.tolist()))


Counts = tuple["int | None", ...]


@dataclass(frozen=True, slots=True)
class StealTimeline:
    """Looks in slices of a window, oldest first.

    edges_s: n + 1 edges in seconds from the window's begin. counted_s: the time between the two
    snapshots that a slice is counted by, 0 where it is blank. looks = hits + empties + lost_races
    in each, None where no snapshot came in it.
    """

    edges_s: tuple[float, ...]
    counted_s: tuple[float, ...]
    attempts: Counts
    hits: Counts
    empties: Counts
    lost_races: Counts

    @property
    def slice_s(self) -> float:
        """The length of a slice that no edge of the window cuts."""
        return max((after - before for before, after in pairwise(self.edges_s)), default=0.0)


@dataclass(frozen=True, slots=True)
class NextTaskReading:
    """How long it took from going empty to the next task, over `count` times; None without any.

    From the beginning of the first search or park after a task (or a wait in one) to the
    beginning of the next task that the worker runs, both inside the window and with no other
    task's or wait's edge between.
    """

    count: int
    median_s: float | None
    high_s: float | None


@dataclass(frozen=True, slots=True)
class ThiefReading:
    """One worker as a thief: its looks, those that took a task, and how soon it had one again.

    looks_per_hit: None without a hit. looks_at_random: what choice at random would have needed
    on average, by the deques that had work when it looked; None where that is not known or
    none had.
    """

    worker: int
    attempts: int
    hits: int
    attempts_per_hit: float | None
    to_next_task: NextTaskReading
    attempts_at_random: float | None = None


@dataclass(frozen=True, slots=True)
class VictimReading:
    """One worker as a victim: looks at its deque, tasks taken, and those less what it took.

    net_given below 0: it took more than was taken from it.
    """

    worker: int
    attempts: int
    hits: int
    net_given: int


@dataclass(frozen=True, slots=True)
class StealingReading:
    """What the looks of a window come to.

    net_flow: tasks, row v column t: taken by t from v less taken by v from t. feeders: the workers
    that gave most more than they took, the largest first, at most `MOST_FEEDERS`. with_work: how
    many of the others must have had work on average if looks were at random, None without looks.
    looks_at_random: looks per hit that choice at random would have needed, see `with_work`.
    timeline: the looks over time.
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
    """Return the largest net flows, at most `most`; equal ones by the giver, then the taker."""
    flow = np.asarray(net_flow, dtype=np.int64)
    if not flow.size:
        return []
    order = np.argsort(-flow, axis=None, kind="stable")[:most]
    places = zip(*(axis.tolist() for axis in np.unravel_index(order, flow.shape)), strict=True)
    found = [Flow(giver, taker, int(flow[giver, taker])) for giver, taker in places]
    return [one for one in found if one.tasks > 0]
