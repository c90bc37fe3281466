"""The promises of a work-stealing scheduler, each judged on a window. Pure.

Here they are judged from the other readings; `recorded_promises` has those judged from rows.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ...model.deques import DequesReading
from ...model.graph import GraphReading
from ...model.promises import PromiseReading
from ...model.vocabulary import Verdict
from .judging import judged, not_judged
from .promise_list import (
    ENDS_NEAR_EMPTY,
    GREEDY_BOUND,
    OWNERS_NEWEST,
    PARKS_WHEN_EMPTY,
    STAYS_IN_POOL,
    STOLEN_LARGER,
    THIEVES_OLDEST,
    VICTIMS_EVEN,
    Promise,
)
from .recorded_promises import parks_when_empty, stays_in_pool

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.deques import ContentionReading, EndReading, EndsReading, SizesReading
    from ...model.stealing import StealingReading

OF_STEALING = (OWNERS_NEWEST, THIEVES_OLDEST, STOLEN_LARGER, VICTIMS_EVEN, ENDS_NEAR_EMPTY)
NOT_RECORDED = "the workers share one queue and do not record when they read it"
NO_STEALS = "the workers share one queue: nothing is stolen"
NO_OTHER_QUEUE = "the workers share one queue and have no other queue to take from"
BOUND_SLACK = 1.05
"""Dispatch and steals are not part of the bound: a run up to this factor longer is within it."""


def promises(
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    graph: GraphReading | None,
    deques: DequesReading,
    stealing: StealingReading | None,
) -> tuple[PromiseReading, ...]:
    """Return a reading of every promise, over one window."""
    bound = greedy_bound(graph)
    if pool.shared_queue:
        return (
            not_judged(PARKS_WHEN_EMPTY, NOT_RECORDED),
            *(not_judged(promise, NO_STEALS) for promise in OF_STEALING),
            not_judged(STAYS_IN_POOL, NO_OTHER_QUEUE),
            bound,
        )
    ends = ends_kept(deques.ends)
    return (
        parks_when_empty(pool, begin_ns, end_ns),
        *ends,
        sizes_kept(deques.sizes, ends),
        victims_even(stealing),
        ends_meet(deques.contention, deques.ends),
        stays_in_pool(pool, begin_ns, end_ns),
        bound,
    )


def ends_kept(ends: EndsReading | None) -> tuple[PromiseReading, PromiseReading]:
    """Return the readings of the two promises on ends, as `analysis.deques.ends` judges them."""
    if ends is None:
        why = "some tasks were not recorded one by one"
        return not_judged(OWNERS_NEWEST, why), not_judged(THIEVES_OLDEST, why)
    return (
        _end(OWNERS_NEWEST, ends.own, ends.owners_newest),
        _end(THIEVES_OLDEST, ends.stolen, ends.thieves_oldest),
    )


def _end(promise: Promise, end: EndReading, verdict: Verdict) -> PromiseReading:
    broken = end.with_choice - end.at_end
    reading = judged(promise, end.with_choice, broken, np.array(end.timestamps_ns, dtype=np.int64))
    why = reading.why or ("too close to the limit" if verdict == Verdict.UNKNOWN else "")
    return replace(reading, verdict=verdict, why=why)


def sizes_kept(
    sizes: SizesReading | None, ends: tuple[PromiseReading, PromiseReading]
) -> PromiseReading:
    """Return whether stolen tasks were the larger ones; the effect is the chance that one is.

    The oldest tasks are the largest where work is divided. So the ends decide this promise, and it
    is not judged where a promise on ends is broken.
    """
    if any(end.verdict == Verdict.BROKEN for end in ends):
        return not_judged(STOLEN_LARGER, "tasks are taken from the wrong end of deques")
    if sizes is None:
        return not_judged(
            STOLEN_LARGER, "too few tasks were stolen, or taken from the workers' own deques"
        )
    verdict = sizes.stolen_larger
    reading = judged(STOLEN_LARGER, sizes.stolen, 0, np.zeros(0, dtype=np.int64))
    why = "too few tasks for a verdict" if verdict == Verdict.UNKNOWN else ""
    evidence = (
        f"in {sizes.superiority:.0%} of pairs the stolen task is the larger, by {sizes.judged_by}"
    )
    return replace(reading, verdict=verdict, effect=sizes.superiority, why=why, evidence=evidence)


def victims_even(stealing: StealingReading | None) -> PromiseReading:
    """Return whether victims were chosen evenly; the effect is Cohen's w, see `evenness`."""
    if stealing is None:
        return not_judged(VICTIMS_EVEN, "no steal attempts were counted")
    choice = stealing.choice
    reading = judged(VICTIMS_EVEN, choice.attempts, 0, np.zeros(0, dtype=np.int64))
    why = "too few steal attempts" if choice.verdict == Verdict.UNKNOWN else ""
    pattern = f", {choice.pattern}" if choice.pattern else ""
    evidence = f"effect size {choice.effect:.2f} in {choice.attempts} steal attempts{pattern}"
    return replace(
        reading, verdict=choice.verdict, effect=choice.effect, why=why, evidence=evidence
    )


def ends_meet(contention: ContentionReading | None, ends: EndsReading | None) -> PromiseReading:
    """Judge how many operations at deques of two tasks or more had to wait, or lost their task."""
    if contention is None:
        return not_judged(ENDS_NEAR_EMPTY, "the pool does not record contention at its deques")
    longer = ends.of_two if ends is not None else 0
    if not contention.reported:  # the pool may not have reported all
        longer = 0
    broken = contention.judged
    cases = max(longer, broken)
    timestamps = np.array(contention.timestamps_ns, dtype=np.int64)
    reading = judged(ENDS_NEAR_EMPTY, cases, broken, timestamps)
    evidence = f"{broken} of {cases} operations at deques of two tasks or more were contended"
    return replace(reading, evidence=evidence)


def greedy_bound(graph: GraphReading | None) -> PromiseReading:
    """Judge the time that a graph took against the bound of greedy schedules.

    The bound holds for work that is all there at the start, so a run without that is not judged.
    """
    if graph is None:
        return not_judged(GREEDY_BOUND, "no complete task graph is in this window")
    if not graph.whole:
        return not_judged(GREEDY_BOUND, "tasks that are not in the graph ran in this window, too")
    if not graph.at_once:
        return not_judged(
            GREEDY_BOUND,
            "the bound applies only to work that is all there at the start",
        )
    ratio = graph.measured_s / graph.greedy_bound_s if graph.greedy_bound_s else 0.0
    broken = ratio > BOUND_SLACK
    reading = judged(GREEDY_BOUND, 1, int(broken), np.zeros(0, dtype=np.int64), least=1)
    return replace(reading, effect=ratio, evidence=f"took {ratio:.2f} times the bound")
