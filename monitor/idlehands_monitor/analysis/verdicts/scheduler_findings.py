"""Findings from the scheduler's own figures: wrong ends, uneven victims, contention, park churn.

Pure. Each finding takes its own part of the searching and waking time, so that together with the
other findings no second is accounted for twice:

* ``wrong-steal-end``: searching × the share of steals that larger steals would have saved.
* ``uneven-victims``: the rest of searching × the share of attempts that an even choice would have
  made at other victims, less the share that chance puts there.
* ``deque-contention``: waits for another operation at a deque. Thieves' waits count up to the rest
  of searching, owners' waits up to dispatch. An owner that pushes inside a task waits in the task;
  that wait is part of blocked.
* ``park-churn``: waking, and the cost of one park and wake for each wake without work, up to the
  rest of searching: the worker searched and parked again. If spinning first would have been
  cheaper, the gain is what it would have saved, see `parking.spinning`.

All but the last belong to a broken promise, so they are reported even if they cost little; the last
one has the same minimum as any other finding.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ...model.findings import LEAST_SHARE, Finding
from ...model.scheduler import SchedulerReading
from ...model.vocabulary import FindingCode, Verdict
from .findings import is_too_little, part_of_all
from .promise_list import ENDS_NEAR_EMPTY

if TYPE_CHECKING:
    from ...model.arrays import Int64
    from ...model.deques import ContentionReading, EndsReading, LargerStealsReading
    from ...model.parking import ParkingReading
    from ...model.stealing import StealReading, VictimChoice
    from ...model.worker_time import PoolTime

LEAST_BROKEN_SHARE = 1e-6
"""The minimum for a finding that belongs to a broken promise, as a share of the worker time."""

SURE = 2.0
"""An even choice has a gain if it finds more by so many standard deviations of a Poisson count."""


class SchedulerUse(NamedTuple):
    """The input of the findings; None where it is not known.

    contended: whether contention at long deques is not as rare as promised. can_spin: whether the
    job decides when a worker parks; a job that uses a library's executor does not.
    """

    ends: EndsReading | None = None
    larger: LargerStealsReading | None = None
    choice: VictimChoice | None = None
    parking: ParkingReading | None = None
    contention: ContentionReading | None = None
    contended: bool = True
    can_spin: bool = True

    @classmethod
    def of(cls, scheduler: SchedulerReading) -> SchedulerUse:
        """Return the input of the findings from a scheduler's reading."""
        stealing, deques = scheduler.stealing, scheduler.deques
        contended = any(
            promise.code == ENDS_NEAR_EMPTY.code and promise.verdict == Verdict.BROKEN
            for promise in scheduler.promises
        )
        return cls(
            deques.ends,
            deques.larger_steals,
            stealing.choice if stealing is not None else None,
            scheduler.parking,
            deques.contention,
            contended=contended,
            can_spin=stealing is not None,
        )


class SchedulerCosts(NamedTuple):
    """Worker-nanoseconds of each finding, 0.0 where it is silent; searching: their part of it."""

    wrong_end: float = 0.0
    uneven: float = 0.0
    contention: float = 0.0
    churn: float = 0.0
    searching: float = 0.0


def scheduler_costs(time: PoolTime, steals: StealReading, use: SchedulerUse) -> SchedulerCosts:
    """Return what each finding accounts for in a window: parts of searching and waking."""
    total = time.pool.total
    if is_too_little(time.pool, time.recorded_ns / 1e9):
        return SchedulerCosts()
    left: float = time.pool.searching
    wrong = left * use.larger.spared if use.larger is not None else 0.0
    wrong = wrong if wrong >= LEAST_BROKEN_SHARE * total else 0.0
    left -= wrong
    broken = use.choice is not None and use.choice.verdict == Verdict.BROKEN
    uneven = left * misplaced(_attempts_by_pair(steals)) if broken else 0.0
    uneven = uneven if uneven >= LEAST_BROKEN_SHARE * total else 0.0
    left -= uneven
    stealing, popping = _contention_ns(use, left, time.pool.dispatch)
    if stealing + popping < (LEAST_BROKEN_SHARE if use.contended else LEAST_SHARE) * total:
        stealing = popping = 0.0
    left -= stealing
    churn = _churn_ns(use.parking, time.pool.waking, left)
    churn = churn if churn >= LEAST_SHARE * total else 0.0
    searching = wrong + uneven + stealing + max(0.0, churn - time.pool.waking)
    return SchedulerCosts(wrong, uneven, stealing + popping, churn, searching)


def scheduler_findings(
    time: PoolTime, steals: StealReading, use: SchedulerUse, costs: SchedulerCosts
) -> tuple[Finding, ...]:
    """Return the findings that have a cost in `costs`."""
    found = []
    if costs.wrong_end and use.larger is not None and use.ends is not None:
        found.append(_wrong_end(use.larger, use.ends, _Cost(time, costs.wrong_end)))
    if costs.uneven and use.choice is not None:
        found.append(_uneven(steals, use.choice, time, costs))
    if costs.contention and use.contention is not None:
        found.append(_contention(use.contention, _Cost(time, costs.contention)))
    if costs.churn and use.parking is not None:
        found.append(_park_churn(use.parking, _Cost(time, costs.churn), can_spin=use.can_spin))
    return tuple(found)


class _Cost(NamedTuple):
    time: PoolTime
    ns: float

    def __str__(self) -> str:
        workers, part = len(self.time.per_worker), self.ns / self.time.pool.total
        return f"{self.ns / 1e9:.2g} worker-seconds, {part_of_all(part, workers, self.time.pool)}"

    def finding(
        self,
        code: FindingCode,
        sentence: str,
        advice: str,
        evidence: str,
        gain_ns: float | None = None,
    ) -> Finding:
        share = self.ns / self.time.pool.total
        gain = None if gain_ns is None else gain_ns / 1e9
        return Finding(code, self.ns / 1e9, share, sentence, advice, evidence, gain)


def _wrong_end(larger: LargerStealsReading, ends: EndsReading, cost: _Cost) -> Finding:
    thieves = ends.thieves_oldest == Verdict.BROKEN
    who = "thieves took the newest task" if thieves else "owners took the oldest task"
    advice = (
        "Let thieves take the oldest task of a deque: it is the root of the most work."
        if thieves
        else "Let owners take their newest task, and leave the oldest, with most work, to thieves."
    )
    evidence = (
        f"{larger.steals} steals brought {_ms(larger.brought_s)} of work each on average; from the "
        f"right end each would bring {_ms(larger.could_s)} and {larger.spared:.0%} of the steals "
        "would not be needed"
    )
    sentence = (
        f"Steals brought too little work because {who}; the additional searching cost {cost}."
    )
    return cost.finding(FindingCode.WRONG_STEAL_END, sentence, advice, evidence)


def _uneven(
    steals: StealReading, choice: VictimChoice, time: PoolTime, costs: SchedulerCosts
) -> Finding:
    attempts, hits = _attempts_by_pair(steals), steals.counts[0]
    took, even = steals.hits_total, hits_if_even(attempts, hits)
    evidence = (
        f"an even choice would have made {misplaced(attempts):.0%} of {steals.attempts_total} "
        f"steal attempts at other victims, and taken {even:.0f} tasks instead of {took}"
    )
    cost = _Cost(time, costs.uneven)
    pattern = f" ({choice.pattern})" if choice.pattern else ""
    sentence = (
        f"Victims were chosen unevenly{pattern}: the steal attempts that an even choice would have "
        f"made at other victims cost {cost}."
    )
    left = time.pool.searching - costs.wrong_end
    gain = left * (1 - took / even) if even - took > SURE * math.sqrt(took) else None
    advice = (
        "Choose each victim at random from all other workers: the bounds on the number of steals "
        "require that."
    )
    return cost.finding(FindingCode.UNEVEN_VICTIMS, sentence, advice, evidence, gain)


def _contention_ns(use: SchedulerUse, searching: float, dispatch: float) -> tuple[float, float]:
    """Return the waits at deques as parts of searching and of dispatch, in ns."""
    contention = use.contention
    if contention is None:
        return 0.0, 0.0
    owners_s = contention.waited_s - contention.thieves_s
    return min(contention.thieves_s * 1e9, searching), min(owners_s * 1e9, dispatch)


def _contention(contention: ContentionReading, cost: _Cost) -> Finding:
    sentence = f"Owners and thieves waited for each other at the ends of deques: {cost}."
    evidence = (
        f"{contention.contended} contended operations at deque ends, {contention.longer} of them "
        f"at deques of two tasks or more; {contention.waited_s:.2g} s of waiting in all, "
        f"{_ms(contention.median_s or 0.0)} in the median"
    )
    advice = (
        "Give each deque its own lock, or let its owner and its thieves use the two ends at the "
        "same time. Hold the lock only for the deque operation."
    )
    return cost.finding(FindingCode.DEQUE_CONTENTION, sentence, advice, evidence)


def _park_churn(parking: ParkingReading, cost: _Cost, *, can_spin: bool) -> Finding:
    best = parking.best
    evidence = (
        f"{parking.wakes} wakes in {parking.window_s:.1f} s; {_ms(parking.park_cost_s or 0.0)} "
        f"from a wake to work, after parks of {_ms(parking.median_s)} (medians); "
        f"{parking.wasted} wakes led to no work"
    )
    sentence = f"Workers parked and were soon woken again, or were woken without work: {cost}."
    advice = "larger tasks or several tasks at once, or use fewer workers."
    if best is None or best.spin_s <= 0 or not can_spin:
        return cost.finding(FindingCode.PARK_CHURN, sentence, f"Hand in {advice}", evidence)
    advice = (
        f"Keep searching for {_ms(best.spin_s)} before parking, if a core is free for it; "
        f"otherwise hand in {advice}"
    )
    gain = min(best.saved_s * 1e9, cost.ns)
    return cost.finding(FindingCode.PARK_CHURN, sentence, advice, evidence, gain)


def _churn_ns(parking: ParkingReading | None, waking_ns: float, searching_ns: float) -> float:
    if parking is None or parking.park_cost_s is None:
        return 0.0
    return waking_ns + min(parking.wasted * parking.park_cost_s * 1e9, searching_ns)


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.3g} ms"


def _attempts_by_pair(steals: StealReading) -> Int64:
    return steals.counts.sum(axis=0)  # type: ignore[no-any-return]


def misplaced(attempts: Int64) -> float:
    """Return the share of attempts, shape (thieves, victims), that an even choice makes elsewhere.

    Half the sum of |attempts - even share| / all attempts (O. D. Duncan, B. Duncan 1955, "A
    methodological analysis of segregation indexes", Amer. Sociol. Rev. 20(2):210-217; from memory),
    less what random draws would give: half the mean deviation of a normal variable with a
    binomial's variance, √(2/π)·σ, for each cell. Between 0 and 1.
    """
    victims, total = len(attempts) - 1, int(attempts.sum())
    if victims < 1 or not total:
        return 0.0
    others = ~np.eye(len(attempts), dtype=bool)
    even = np.broadcast_to(attempts.sum(axis=1, keepdims=True) / victims, attempts.shape)[others]
    uneven = np.abs(attempts[others] - even).sum() / 2
    chance = np.sqrt(even * (1 - 1 / victims) * 2 / math.pi).sum() / 2
    return float(max(0.0, uneven - chance)) / total


def hits_if_even(attempts: Int64, hits: Int64) -> float:
    """Return the hits of as many attempts of each thief, spread evenly over victims.

    By direct standardisation: each victim keeps its hits per attempt; one without any attempt
    counts as empty. Shapes (thieves, victims).
    """
    victims = len(attempts) - 1
    at, took = attempts.sum(axis=0), hits.sum(axis=0)
    rate = np.divide(took, at, out=np.zeros(len(at)), where=at > 0)
    others = ~np.eye(len(attempts), dtype=bool)
    even = attempts.sum(axis=1, keepdims=True) / max(1, victims)
    return float((even * rate * others).sum())
