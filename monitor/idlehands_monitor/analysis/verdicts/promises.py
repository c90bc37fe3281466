"""What a work-stealing scheduler promises, checked on what was recorded.

Each promise is kept, broken, or has too little data to be judged; it is judged by the share of
the cases looked at in which it was broken, never below a stated number of cases. Stamps are taken
a little before or after what they are about, so what lies within `RACE_NS` of its opposite is a
race and no case.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import OTHER_POOL, PARKED

from ...ledger.rows import Recent, never_ran
from ...model.deques import DequesReading
from ...model.graph import GraphReading
from ...model.promises import PromiseReading
from ...model.vocabulary import Verdict
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

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Bool, Int64
    from ...model.deques import ContentionReading, EndReading, EndsReading, SizesReading
    from ...model.stealing import StealingReading

RACE_NS = 200_000
"""Between looking and parking, or taking and saying so, a thread may lose the interpreter lock or
its core for a moment: common practice, no source."""
LEAST_CASES = 30
MOST_BROKEN = 0.05
MOST_TIMESTAMPS = 20


SPAWNS_LOST = "rows of spawns were lost, so it is not known what was queued when"
NO_STEALS = "the workers share one queue: nothing is stolen"
BOUND_SLACK = 1.05
"""Dispatch and steals are no part of the bound: so much longer is still within it."""


def judged(
    promise: Promise,
    cases: int,
    broken: int,
    timestamps: Int64,
    *,
    least: int = LEAST_CASES,
    most: float = MOST_BROKEN,
) -> PromiseReading:
    """Return the reading of a promise broken in `broken` of `cases`, at `timestamps` among others.

    It is broken where that is more than the share `most`.
    """
    share = broken / cases if cases else 0.0
    verdict = Verdict.UNKNOWN if cases < least else Verdict.BROKEN if share > most else Verdict.KEPT
    return PromiseReading(
        code=promise.code,
        what=promise.what,
        verdict=verdict,
        cases=cases,
        broken=broken,
        effect=share,
        timestamps_ns=tuple(np.sort(timestamps)[:MOST_TIMESTAMPS].tolist()),
        purpose=promise.purpose,
        source=promise.source,
        why="" if verdict != Verdict.UNKNOWN else f"only {cases} cases; {least} are needed",
        evidence=f"broken in {broken} of {cases} cases",
    )


def not_judged(promise: Promise, why: str) -> PromiseReading:
    """Return the reading of a promise that this pool's recording says nothing of."""
    return PromiseReading(
        promise.code,
        promise.what,
        Verdict.UNKNOWN,
        0,
        0,
        0.0,
        (),
        promise.purpose,
        promise.source,
        why,
    )


def promises(
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    graph: GraphReading | None,
    deques: DequesReading,
    stealing: StealingReading | None,
) -> tuple[PromiseReading, ...]:
    """Return every promise and how it was kept in a window."""
    bound = greedy_bound(graph)
    if pool.shared_queue:
        return (
            not_judged(
                PARKS_WHEN_EMPTY,
                "the workers share one queue and do not record when they read it",
            ),
            *(
                not_judged(promise, NO_STEALS)
                for promise in (
                    OWNERS_NEWEST,
                    THIEVES_OLDEST,
                    STOLEN_LARGER,
                    VICTIMS_EVEN,
                    ENDS_NEAR_EMPTY,
                )
            ),
            not_judged(STAYS_IN_POOL, "the workers share one queue and have no other to take from"),
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
    """Return how owners and thieves kept to their ends, as `analysis.deques.ends` judges them."""
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
    why = reading.why or ("too close to tell" if verdict == Verdict.UNKNOWN else "")
    return replace(reading, verdict=verdict, why=why)


def sizes_kept(
    sizes: SizesReading | None, ends: tuple[PromiseReading, PromiseReading]
) -> PromiseReading:
    """Return whether stolen tasks were the larger ones; the effect is the chance that one is.

    That the oldest are the largest holds where work is divided; which end is taken decides it, so
    nothing more is said where that promise is broken already.
    """
    if any(end.verdict == Verdict.BROKEN for end in ends):
        return not_judged(STOLEN_LARGER, "tasks are taken from the wrong end of deques")
    if sizes is None:
        return not_judged(STOLEN_LARGER, "too few tasks were stolen, or run by their own worker")
    verdict = sizes.stolen_larger
    reading = judged(STOLEN_LARGER, sizes.stolen, 0, np.zeros(0, dtype=np.int64))
    why = "too few to tell" if verdict == Verdict.UNKNOWN else ""
    evidence = (
        f"the stolen one of a pair is the larger in {sizes.superiority:.0%}, by {sizes.judged_by}"
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


def ends_meet(met: ContentionReading | None, ends: EndsReading | None) -> PromiseReading:
    """Judge how many operations at deques of two tasks or more had to wait, or lost their task."""
    if met is None:
        return not_judged(ENDS_NEAR_EMPTY, "the pool does not record contention at its deques")
    longer = ends.of_two if ends is not None else 0
    if not met.reported:  # that it told of no more does not mean there were none
        longer = 0
    cases = max(longer, met.judged)
    reading = judged(
        ENDS_NEAR_EMPTY, cases, met.judged, np.array(met.timestamps_ns, dtype=np.int64)
    )
    evidence = f"{met.judged} of {cases} operations at deques of two tasks or more were contended"
    return replace(reading, evidence=evidence)


def greedy_bound(graph: GraphReading | None) -> PromiseReading:
    """Judge the time that a graph took against the bound of greedy schedules.

    The bound is of work that is all there when it begins, so nothing is said where it kept coming.
    """
    if graph is None:
        return not_judged(GREEDY_BOUND, "no graph of tasks lies whole in this window")
    if not graph.whole:
        return not_judged(GREEDY_BOUND, "other tasks ran in this window beside those of the graph")
    if not graph.at_once:
        return not_judged(
            GREEDY_BOUND,
            "the bound is for work that is all there at the start",
        )
    ratio = graph.measured_s / graph.greedy_bound_s if graph.greedy_bound_s else 0.0
    broken = ratio > BOUND_SLACK
    reading = judged(GREEDY_BOUND, 1, int(broken), np.zeros(0, dtype=np.int64), least=1)
    return replace(reading, effect=ratio, evidence=f"took {ratio:.2f} times the bound")


def parks_when_empty(pool: PoolLedger, begin_ns: int, end_ns: int) -> PromiseReading:
    """Judge each parking in a window by whether a task had been queued well before it.

    Counted are tasks spawned at least `RACE_NS` before the worker parked, less those begun up to
    `RACE_NS` after: what is left was there to be found. A parking with a task spawned within
    `RACE_NS` of it is a case all the same, and kept. While some operation waits at a deque a task
    may have its stamp and not be there yet, or a deque have been looked at long ago: no case.
    """
    if spawns_were_lost(pool):
        return not_judged(PARKS_WHEN_EMPTY, SPAWNS_LOST)
    idle_intervals = Recent(pool.idle_intervals, begin_ns)
    inside = (idle_intervals["state"] == PARKED) & (idle_intervals["began_ns"] >= begin_ns)
    parked = np.sort(idle_intervals["began_ns"][inside & (idle_intervals["began_ns"] < end_ns)])
    parked = parked[~_while_waiting(pool, parked)]
    queued = queued_for_sure(pool, parked)
    late = parked[queued > 0]
    return judged(PARKS_WHEN_EMPTY, len(parked), len(late), late)


def _while_waiting(pool: PoolLedger, timestamps: Int64) -> Bool:
    """Say at which moments an operation was waiting at a deque, or had been `RACE_NS` before."""
    waits = pool.contended["waited_ns"] > 0
    until = pool.contended["at_ns"][waits]
    since = np.sort(until - pool.contended["waited_ns"][waits])
    until = np.sort(until + RACE_NS)
    begun = np.searchsorted(since, timestamps, side="right")
    return np.asarray(begun > np.searchsorted(until, timestamps, side="left"), dtype=np.bool_)


def spawns_were_lost(pool: PoolLedger) -> bool:
    """Say whether rows are missing among the spawns held, so that they cannot be counted along."""
    held = pool.spawns["spawned_ns"]
    return len(held) > 0 and pool.spawns_lost_ns >= int(held[0])


def queued_for_sure(pool: PoolLedger, timestamps: Int64) -> Int64:
    """Return at least how many tasks were queued at each moment, races left out."""
    if not len(timestamps):
        return np.zeros(0, dtype=np.int64)
    first = int(timestamps.min()) - RACE_NS
    spawned = np.sort(Recent(pool.spawns, first)["spawned_ns"])
    spawned = spawned[spawned >= first]
    tasks = Recent(pool.tasks, first)
    open_began = [i.began_ns for worker in pool.open for i in worker if i.what == "task"]
    started = np.sort(np.concatenate([tasks["started_ns"], open_began]).astype(np.int64))
    started = started[started >= first]
    # All that was spawned before and is begun after `first` was queued then.
    base = pool.written("spawns") - len(spawned) - (_begun(pool) - len(started))
    before = np.searchsorted(spawned, timestamps - RACE_NS, side="right")
    begun = np.searchsorted(started, timestamps + RACE_NS, side="right")
    return np.asarray(np.maximum(0, base) + before - begun, dtype=np.int64)


def _begun(pool: PoolLedger) -> int:
    """Return how many tasks had been begun or cancelled by the last levels."""
    still = sum(i.what == "task" for worker in pool.open for i in worker)
    return pool.written("tasks") + pool.unreported + still


def stays_in_pool(pool: PoolLedger, begin_ns: int, end_ns: int) -> PromiseReading:
    """Judge each task run by whether it, or its number and its spawn, are this pool's.

    A worker may say that it took a task out of another pool. A task's number counts its pool's
    spawns, so one that was spawned in another pool without a word bears a stamp that the spawn of
    its number here does not have. Neither is ever a race, so no share of them is kept.
    """
    if spawns_were_lost(pool):
        return not_judged(STAYS_IN_POOL, SPAWNS_LOST)
    tasks = Recent(pool.tasks, begin_ns)
    inside = (tasks["ended_ns"] > begin_ns) & (tasks["started_ns"] < end_ns)
    inside &= ~never_ran(tasks["outcome"])
    number, stamp, started = (tasks[name][inside] for name in ("task", "spawned_ns", "started_ns"))
    spawns = pool.spawns["spawned_ns"]
    place = number - (pool.written("spawns") - len(spawns))
    known = (place >= 0) & (place < len(spawns))
    foreign = spawns[place[known]] != stamp[known]
    foreign |= tasks["taken_from"][inside][known] == OTHER_POOL
    foreign_at = started[known][foreign]
    return judged(STAYS_IN_POOL, int(known.sum()), len(foreign_at), foreign_at, most=0.0)
