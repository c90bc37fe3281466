"""What a reading says of a pool's deques: at which ends tasks are taken, sizes, contention."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import Verdict

SMALL_EFFECT = 0.56
"""Probability of superiority that is a small effect: A. Vargha, H. D. Delaney 2000, J. Educ. Behav.
Stat. 25(2):101–132 (from memory)."""
SIGNIFICANT, TWO_SIDED = 0.05, 1.96


@dataclass(frozen=True, slots=True)
class EndReading:
    """Takes by owners, or by thieves, and how many of them were at the promised end.

    takes: all; ambiguous: left out, because another take or push was too close to tell;
    with_choice: judged, of a deque of two tasks or more; at_end: of those, at the promised end.
    rank: median over those of the task's place from that end, 0 at it; length: median length of
    the deque; both 0.0 where none was judged. moments_ns: the first that were not at the end.
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

    begin_ns: from when on takes are judged. unplaced: takes of a task from another deque than its
    spawner's, which are not judged. of_two: operations at deques of two tasks or more: takes that
    found as many, and pushes, each of which the take of one task more undoes. owners_newest,
    thieves_oldest: the verdicts on the two promises.
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
    """How deep in the recursion stolen tasks were beside those from the own deque, 0 at a root.

    stolen, local: how many whose every ancestor was recorded; their medians. superiority: the
    probability that the stolen one of a pair is the deeper; p: of Mann and Whitney's test.
    """

    stolen: int
    local: int
    median_stolen: float
    median_local: float
    superiority: float
    p: float


@dataclass(frozen=True, slots=True)
class SizesReading:
    """How large stolen tasks were beside those that owners took from their own deque.

    by_hint: sizes are the caller's hints (items), else the time of a task and of all that came
    from it (seconds).
    stolen, local: how many were compared; their medians. superiority: the probability that a stolen
    task is the larger; error: its standard error if there were no difference; p: of Mann and
    Whitney's test. Of `steals` stolen tasks, medians: own_s, the time in the task itself;
    subtree_s, with all that came from it; own_share, the one by the other. depth: None with too
    few of known depth.
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
        """What sizes are, in words."""
        return "the hint of its size" if self.by_hint else "the time of all that came from it"

    @property
    def stolen_larger(self) -> Verdict:
        """The verdict on: stolen tasks are the larger ones."""
        if self.superiority >= SMALL_EFFECT and self.p < SIGNIFICANT:
            return Verdict.KEPT
        return (
            Verdict.BROKEN
            if self.superiority + TWO_SIDED * self.error < SMALL_EFFECT
            else Verdict.UNKNOWN
        )


@dataclass(frozen=True, slots=True)
class LargerStealsReading:
    """How much work a steal brought, and would have brought had the ends been kept to.

    steals: of how many stolen tasks; brought_s, could_s: means over them, each with all that came
    from it. See `larger_steals`.
    """

    steals: int
    brought_s: float
    could_s: float

    @property
    def spared(self) -> float:
        """Share of the steals that would not have been needed for as much work."""
        return 1 - self.brought_s / self.could_s if self.could_s > self.brought_s else 0.0


NEAR_EMPTY = 1
"""A deque of as many tasks or fewer is near-empty: there is one that two can want."""


@dataclass(frozen=True, slots=True)
class LengthReading:
    """Meetings at deques of `least` to `most` tasks (None: without an upper end), and their waits.

    lost: meetings that lost a task rather than waited.
    """

    least: int
    most: int | None
    contended: int
    lost: int
    waited_s: float


@dataclass(frozen=True, slots=True)
class ContentionReading:
    """What meetings at deque ends came to in a window.

    told: the pool says that it tells of every meeting. meetings: all, of which `lost` lost a task
    and `unknown` say no length; missing: rows of them that were lost, since the record began.
    near_empty, longer: those at deques of at most `NEAR_EMPTY` tasks, and of more; judged: of the
    latter, those from when on the deques are rebuilt. waited_s: all waiting, thieves_s that at
    others' deques, longer_s that at longer ones; median_s and p99_s of one wait, None without any.
    by_length: by the length of the deque. moments_ns: the first at longer deques.
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
        """Share of the meetings of known length that were at a near-empty deque."""
        known = self.near_empty + self.longer
        return self.near_empty / known if known else None


@dataclass(frozen=True, slots=True)
class DequesReading:
    """What is judged of a pool's deques; None where tasks went by without a row, or for no steals.

    sizes: None too where there is too little data, larger_steals where the ends were kept to.
    """

    ends: EndsReading | None = None
    sizes: SizesReading | None = None
    contention: ContentionReading | None = None
    larger_steals: LargerStealsReading | None = None
