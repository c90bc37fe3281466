"""What a reading says of a pool's deques: at which ends tasks are taken, sizes, contention.

Data only; the figures come from `analysis.deques`.
"""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import Verdict

SMALL_EFFECT = 0.56
"""Probability of superiority that is a small effect: A. Vargha, H. D. Delaney 2000, J. Educ. Behav.
Stat. 25(2):101–132 (from memory)."""
SIGNIFICANT, TWO_SIDED = 0.05, 1.96


@dataclass(frozen=True, slots=True)
class EndReading:
    """Tasks taken by owners, or by thieves, and how many of them from the promised end.

    takes: all of them. ambiguous: left out, because another take or push was too close in time.
    with_choice: judged; the deque held two tasks or more. at_end: those of the judged that were at
    the promised end. rank: median distance of a judged task from that end, 0 at the end itself.
    length: median length of the deque. Both are 0.0 where none was judged. timestamps_ns: when the
    first judged takes that were not at the end happened.
    """

    takes: int
    ambiguous: int
    with_choice: int
    at_end: int
    rank: float
    length: float
    timestamps_ns: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class EndsReading:
    """Whether owners took the newest task of their deque and thieves the oldest.

    begin_ns: takes are judged from this time on. unplaced: takes that are not judged, because the
    task came from another deque than its spawner's. of_two: operations on deques of two tasks or
    more: the takes that found that many, and as many pushes, since each such take undoes a push.
    owners_newest, thieves_oldest: the verdicts on the two promises.
    """

    begin_ns: int
    own: EndReading
    stolen: EndReading
    unplaced: int
    of_two: int = 0
    owners_newest: Verdict = Verdict.UNKNOWN
    thieves_oldest: Verdict = Verdict.UNKNOWN


@dataclass(frozen=True, slots=True)
class DepthReading:
    """How deep in the recursion stolen tasks were, compared with local ones; a root has depth 0.

    stolen, local: how many tasks have every ancestor recorded; median_stolen, median_local: their
    median depths. superiority: the probability that a stolen task is deeper than a local one.
    p: of the Mann-Whitney test.
    """

    stolen: int
    local: int
    median_stolen: float
    median_local: float
    superiority: float
    p: float


@dataclass(frozen=True, slots=True)
class SizesReading:
    """How large stolen tasks were, compared with those that owners took from their own deque.

    by_hint: sizes are the caller's hints (items); otherwise they are the time of a task and all its
    descendants (seconds). stolen, local: how many tasks were compared; median_stolen, median_local:
    their median sizes. superiority: the probability that a stolen task is larger than a local one;
    error: its standard error if there were no difference; p: of the Mann-Whitney test.
    Medians over `steals` stolen tasks: own_s, time in the task itself; subtree_s, time with all
    descendants; own_share, own_s / subtree_s. depth: None with too few tasks of known depth.
    """

    by_hint: bool
    stolen: int
    local: int
    median_stolen: float
    median_local: float
    superiority: float
    error: float
    p: float
    steals: int
    own_s: float
    subtree_s: float
    own_share: float
    depth: DepthReading | None = None

    @property
    def judged_by(self) -> str:
        """What the size of a task means here, in words."""
        return "the hint of its size" if self.by_hint else "the time of all that came from it"

    @property
    def stolen_larger(self) -> Verdict:
        """The verdict on the promise that stolen tasks are the larger ones."""
        if self.superiority >= SMALL_EFFECT and self.p < SIGNIFICANT:
            return Verdict.KEPT
        return (
            Verdict.BROKEN
            if self.superiority + TWO_SIDED * self.error < SMALL_EFFECT
            else Verdict.UNKNOWN
        )


@dataclass(frozen=True, slots=True)
class LargerStealsReading:
    """How much work a steal brought, and would have brought from the promised end.

    steals: the number of stolen tasks. brought_s, could_s: means over them of the time of the task
    taken and of the one at the promised end, each with all descendants. See `larger_steals`.
    """

    steals: int
    brought_s: float
    could_s: float

    @property
    def spared(self) -> float:
        """Share of the steals that the promised end would have saved for the same work."""
        return 1 - self.brought_s / self.could_s if self.could_s > self.brought_s else 0.0


NEAR_EMPTY = 1
"""A deque of at most so many tasks is near-empty: two workers can want its only task."""


@dataclass(frozen=True, slots=True)
class LengthReading:
    """Contended operations on deques of `least` to `most` tasks; most is None without a limit.

    lost: those that lost a task instead of waiting. waited_s: summed waits of the others.
    """

    least: int
    most: int | None
    contended: int
    lost: int
    waited_s: float


@dataclass(frozen=True, slots=True)
class ContentionReading:
    """Contention at the ends of deques in a window.

    reported: whether the pool reports every contended operation. contended: all of them; `lost`
    lost a task, `unknown` have no deque length. missing: rows of them lost since recording began.
    near_empty, longer: those on deques of at most `NEAR_EMPTY` tasks, and on longer ones. judged:
    those on longer deques, from the time on from which deques can be rebuilt. waited_s: all waits;
    thieves_s: waits at other workers' deques; longer_s: waits at longer deques. median_s, p99_s: of
    one wait, None without any. by_length: by the length of the deque. timestamps_ns: when the first
    on longer deques happened.
    """

    reported: bool
    contended: int
    lost: int
    unknown: int
    missing: int
    near_empty: int
    longer: int
    judged: int
    waited_s: float
    thieves_s: float
    longer_s: float
    median_s: float | None
    p99_s: float | None
    by_length: tuple[LengthReading, ...]
    timestamps_ns: tuple[int, ...]

    @property
    def near_empty_share(self) -> float | None:
        """Share of the operations with a known length that were on a near-empty deque, or None."""
        known = self.near_empty + self.longer
        return self.near_empty / known if known else None


@dataclass(frozen=True, slots=True)
class DequesReading:
    """What is judged of a pool's deques.

    Each part is None where tasks left no row, or where the pool does not steal. sizes is also None
    with too little data, larger_steals also where all takes were at the promised ends.
    """

    ends: EndsReading | None = None
    sizes: SizesReading | None = None
    contention: ContentionReading | None = None
    larger_steals: LargerStealsReading | None = None
