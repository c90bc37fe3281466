"""What a change would gain, as simulated: data only, computed by `analysis.whatif`.

All predicted values are in the unit of the pool's arrivals, see `UNIT_OF`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .source import SourceReading


class Arrivals(StrEnum):
    """How work comes into a pool.

    BATCH: all there at first, or batch after batch. CLOSED: so many tasks are in flight, the next
    is handed in when one ends. OPEN: at its own pace.
    """

    BATCH = "batch"
    CLOSED = "closed"
    OPEN = "open"


class Unit(StrEnum):
    """What an answer is in.

    SECONDS: until the last task ends. TASKS_PER_S: tasks from outside that end in a second. P95_S:
    the 95th percentile of the time from hand-in to end, in seconds.
    """

    SECONDS = "seconds"
    TASKS_PER_S = "tasks_per_s"
    P95_S = "p95_s"


UNIT_OF = {
    Arrivals.BATCH: Unit.SECONDS,
    Arrivals.CLOSED: Unit.TASKS_PER_S,
    Arrivals.OPEN: Unit.P95_S,
}


LEAST_GAIN = 0.05
"""A smaller gain is not worth a change: half of the error at which a simulation is refused."""


@dataclass(frozen=True, slots=True)
class ChangeReading:
    """A change, or several at once. facts: what it sets, as in JSON, such as {"workers": 8}.

    sentence: the change as an order to the reader, without a full stop.
    """

    facts: tuple[tuple[str, int | float | str | bool], ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class AnswerReading:
    """What a pool would come to with a change: the median over seeds and a 95 % interval.

    gain: how much better the median is than the run as it was, as a share: less time or a lower
    percentile / the present one, more tasks a second / the present ones; negative is worse.
    gain_low, gain_high: its interval. assumes: what the simulation takes for granted. seeds: of how
    many runs this is.
    """

    change: ChangeReading
    low: float
    median: float
    high: float
    gain: float
    gain_low: float
    gain_high: float
    assumes: tuple[str, ...]
    seeds: int


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """The prediction for a number of workers, with its interval."""

    workers: int
    low: float
    median: float
    high: float


@dataclass(frozen=True, slots=True)
class ScalabilityReading:
    """The universal scalability law that is nearest to a curve (N. J. Gunther 2007).

    alpha: contention, the share of the work that only one worker at a time can do. beta: coherence,
    what each pair of workers costs each other; above 0 more workers make it worse beyond `peak`.
    gamma: the rate of one worker, in runs or tasks a second. peak: the number of workers of the
    highest rate, None where more workers always raise it. residual: the standard error of the fit
    (n − 3 degrees of freedom), in the unit of gamma.
    """

    alpha: float
    beta: float
    gamma: float
    peak: float | None
    residual: float

    def rate(self, workers: float) -> float:
        """γN/(1 + α(N − 1) + βN(N − 1)), in the unit of gamma."""
        more = workers - 1
        return self.gamma * workers / (1 + self.alpha * more + self.beta * workers * more)


@dataclass(frozen=True, slots=True)
class CurveReading:
    """Predicted values over numbers of workers, rising.

    work_s, span_s: T₁ and T∞ of the simulated tasks, for the bounds; None where work keeps coming
    in, so that they bound nothing. present: the recorded number of workers. best: the fewest
    workers that come within 2 % of the best median. law: what the medians follow, None for a
    percentile and for too few of them.
    """

    points: tuple[CurvePoint, ...]
    present: int
    best: int
    work_s: float | None = None
    span_s: float | None = None
    law: ScalabilityReading | None = None

    def work_law_s(self, workers: float) -> float | None:
        """T₁/P: no schedule takes less."""
        return None if self.work_s is None else self.work_s / workers

    def greedy_bound_s(self, workers: float) -> float | None:
        """(T₁ − T∞)/P + T∞: no greedy schedule takes longer (R. L. Graham 1966)."""
        if self.work_s is None or self.span_s is None:
            return None
        return (self.work_s - self.span_s) / workers + self.span_s


@dataclass(frozen=True, slots=True)
class SizingReading:
    """How many workers an open pool needs.

    utilisation: time in tasks / worker time, now. wait_s: mean time from hand-in to begin, as
    recorded; simulated_wait_s, mmc_wait_s, allen_cunneen_wait_s: the same as simulated and by two
    formulas, None where they do not hold. wanted_p95_s: the 95th percentile of the time from
    hand-in to end that was asked for, None for none; workers: the fewest that reach it, None where
    no number tried does. least_workers: the fewest at which the queue does not grow without end,
    None where the cores or the interpreter lock cannot carry the tasks, whatever the workers.
    growth_per_s: by how many tasks the queue grows each second, 0 where not significantly;
    backlog_hurts_in_s: until such a backlog alone lets a task wait as long as the wanted
    percentile, None where it does not grow or none is wanted.
    """

    utilisation: float
    wait_s: float
    simulated_wait_s: float | None
    mmc_wait_s: float | None
    allen_cunneen_wait_s: float | None
    least_workers: int | None
    wanted_p95_s: float | None = None
    workers: int | None = None
    growth_per_s: float = 0.0
    backlog_hurts_in_s: float | None = None


@dataclass(frozen=True, slots=True)
class WhatIfPool:
    """The answers for one pool, or for several simulated as one.

    unit: of recorded, reproduced and all answers. recorded: what the run came to. reproduced: what
    the simulation of the run as it was comes to. refused: why there are no answers, "" where there
    are. number: of the pool in its job, -1 for several. tasks: how many were simulated, of
    all_tasks; whole: what all of them came to. answers: the best first; where a range of workers
    was asked for, one for each in rising order. notes: what is assumed of the run itself, one
    sentence each.
    """

    name: str
    kind: str
    workers: int
    arrivals: Arrivals
    recorded: float
    reproduced: float
    tasks: int
    all_tasks: int
    answers: tuple[AnswerReading, ...] = ()
    curve: CurveReading | None = None
    sizing: SizingReading | None = None
    notes: tuple[str, ...] = ()
    refused: str = ""
    number: int = -1
    whole: float = 0.0

    @property
    def unit(self) -> Unit:
        """The unit of all values."""
        return UNIT_OF[self.arrivals]

    @property
    def error(self) -> float:
        """How far the reproduction is from the recorded value, as a share of it."""
        return abs(self.reproduced / self.recorded - 1) if self.recorded else 0.0


@dataclass(frozen=True, slots=True)
class WhatIfReading:
    """What changes would gain for the pools of one source."""

    source: SourceReading
    pools: tuple[WhatIfPool, ...]
    whole: bool = True
    """Whether all runs were made; False where somebody stopped it before."""
    window_ns: tuple[int, int] | None = None
    """When the recorded window begins and ends, None without a pool."""
