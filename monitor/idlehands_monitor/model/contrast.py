"""Two sides of captures compared: data only, computed by `analysis.contrast`.

Each side is one capture or several of one job. A difference that is `named` is worth a reader's
time: it is larger than what two runs of an unchanged job differ by. Intervals are 95 % intervals;
None stands for an interval that the captures do not give.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from .source import SourceReading
from .vocabulary import Category, FindingCode, PromiseCode, Verdict
from .whatif import Arrivals, Unit


class Presence(StrEnum):
    """Whether a finding is only on the side before, only on the side after, or on both."""

    GONE = "gone"
    NEW = "new"
    STAYS = "stays"


class StealFigure(StrEnum):
    """The figures of steal attempts that are compared.

    ATTEMPTS_PER_TASK: steal attempts / finished tasks. HIT_SHARE: attempts that took a task / all.
    STOLEN_SHARE: stolen tasks / finished tasks. CONCENTRATION: how far thieves keep to few victims,
    see `VictimChoice`. NEXT_TASK_S: median time of an idle worker to its next task.
    """

    ATTEMPTS_PER_TASK = "attempts_per_task"
    HIT_SHARE = "hit_share"
    STOLEN_SHARE = "stolen_share"
    CONCENTRATION = "concentration"
    NEXT_TASK_S = "next_task_s"


@dataclass(frozen=True, slots=True)
class EndReading:
    """What the job comes to on each side, in one unit.

    before, after: the geometric mean over the captures of a side. gain: how much better `after` is,
    as a share of `before`: less time, a lower percentile or more tasks a second; negative is worse.
    low, high: its interval. is_within: the interval is of the variation within one run a side, and
    says nothing of the variation between runs. runs_before, runs_after: the value of each capture.
    task_ratio: of tasks a second, the time in tasks for each task from outside, after / before: far
    from 1 where work was divided differently, and then tasks a second compare little; None for
    other units.
    """

    unit: Unit
    before: float
    after: float
    gain: float
    low: float | None
    high: float | None
    is_within: bool
    runs_before: tuple[float, ...]
    runs_after: tuple[float, ...]
    named: bool = False
    task_ratio: float | None = None


@dataclass(frozen=True, slots=True)
class TimeContrast:
    """One category of worker time: its share on each side, 0 to 1, and the difference.

    low, high: the interval of after − before.
    """

    category: Category
    before: float
    after: float
    low: float | None
    high: float | None
    named: bool = False


@dataclass(frozen=True, slots=True)
class FindingContrast:
    """One finding code of a pool, on both sides.

    before, after: in how many captures of the side it is. gain_before, gain_after: the median of
    its simulated gains there, as a share; None where none was simulated. where: as on the side that
    has it.
    """

    code: FindingCode
    presence: Presence
    before: int
    after: int
    gain_before: float | None
    gain_after: float | None
    where: str = ""
    named: bool = False


@dataclass(frozen=True, slots=True)
class KindSide:
    """One kind of task on one side: how many ended, and the median time of a call.

    A task that is a batch of calls counts its time / its calls. working_s, blocked_s,
    run_queue_wait_s: mean worker time of a call. share: of the pool's time in tasks.
    """

    finished: int
    median_s: float
    working_s: float
    blocked_s: float
    run_queue_wait_s: float
    share: float


@dataclass(frozen=True, slots=True)
class KindContrast:
    """One kind of task on both sides: is a call faster or slower?

    ratio: after / before of the medians; low, high: its interval. p: of the test (Mann and Whitney
    where each side is one capture, Welch on the logarithms of the medians for several captures),
    adjusted over all kinds of the job; None where there is no test. superiority: the probability
    that a call of `after` takes longer than one of `before`, equal ones count half.
    """

    kind: str
    before: KindSide
    after: KindSide
    ratio: float
    low: float | None
    high: float | None
    p: float | None
    superiority: float
    named: bool = False


@dataclass(frozen=True, slots=True)
class PromiseContrast:
    """One promise of the scheduler, and the verdicts on both sides.

    The verdict of a side is the one of most of its captures, unknown where none is.
    """

    code: PromiseCode
    what: str
    before: Verdict
    after: Verdict
    named: bool = False


@dataclass(frozen=True, slots=True)
class StealContrast:
    """One figure of the steal attempts on both sides: the median over the captures of each."""

    figure: StealFigure
    before: float
    after: float
    named: bool = False


@dataclass(frozen=True, slots=True)
class PoolContrast:
    """One pool on both sides.

    name, name_after: differ where the program's line has moved, or the pool was renamed. finished:
    tasks that ended in all captures of a side. only_before, only_after: kinds that only one side
    ran.
    """

    name: str
    name_after: str
    finished_before: int
    finished_after: int
    time: tuple[TimeContrast, ...]
    findings: tuple[FindingContrast, ...]
    kinds: tuple[KindContrast, ...]
    promises: tuple[PromiseContrast, ...]
    steals: tuple[StealContrast, ...]
    only_before: tuple[str, ...] = ()
    only_after: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Circumstance:
    """Something of the versions, the host or the pool that differs between the sides, as text."""

    what: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class ContrastReading:
    """Two sides of captures compared.

    end_to_end: what the job comes to, in its own unit first; empty where no task from outside
    ended. arrivals: how work came, see `Arrivals`; None where it is not known. only_before,
    only_after: pools without a partner on the other side. notes: what makes the comparison
    doubtful, one sentence each.
    """

    before: tuple[SourceReading, ...]
    after: tuple[SourceReading, ...]
    arrivals: Arrivals | None
    end_to_end: tuple[EndReading, ...]
    pools: tuple[PoolContrast, ...]
    circumstances: tuple[Circumstance, ...] = ()
    only_before: tuple[str, ...] = ()
    only_after: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def has_difference(self) -> bool:
        """Whether any difference is worth naming."""
        return any(one.named for one in self.end_to_end) or any(
            one.named
            for pool in self.pools
            for group in (pool.time, pool.findings, pool.kinds, pool.promises, pool.steals)
            for one in group
        )
