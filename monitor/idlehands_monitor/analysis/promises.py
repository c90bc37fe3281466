"""What a work-stealing scheduler promises, checked on what was recorded.

Each promise is kept, broken, or has too little data to be judged; it is judged by the share of
the cases looked at in which it was broken, never below a stated number of cases. Stamps are taken
a little before or after what they are about, so what lies within `RACE_NS` of its opposite is a
race and no case.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from idlehands.wire import PARKED

from .readings import GraphReading, PromiseReading
from .rows import Recent

if TYPE_CHECKING:
    from ..ledger import PoolLedger
    from .rows import Int64

KEPT, BROKEN, UNKNOWN = "kept", "broken", "unknown"
RACE_NS = 200_000
"""Between looking and parking, or taking and saying so, a thread may lose the interpreter lock or
its core for a moment: common practice, no source."""
LEAST_CASES = 30
MOST_BROKEN = 0.05
MOST_MOMENTS = 20


class Promise(NamedTuple):
    """A promise: its code, what it is for, and where it is from."""

    code: str
    what: str
    purpose: str
    source: str


PARKS_WHEN_EMPTY = Promise(
    "parks-when-empty",
    "workers park only when the whole pool is empty",
    "A worker that parks beside queued work has to be woken for it, which costs more than the "
    "look that it saved.",
    "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581 (no processor idle while a task is ready)",
)
STAYS_IN_POOL = Promise(
    "stays-in-pool",
    "nobody takes tasks of another pool",
    "Pools are kept apart so that one kind of work cannot hold up another.",
    "common practice, no source",
)


GREEDY_BOUND = Promise(
    "within-greedy-bound",
    "the whole takes no longer than a greedy schedule could",
    "A schedule that never idles a worker beside a ready task takes at most (T1 - Tinf)/P + Tinf; "
    "longer means idling, or overhead between tasks.",
    "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581; CLRS, 3rd edition, theorem 27.1",
)
AT_ONCE = 0.02
"""All work was there at once if it had come within this share of the time that it took."""
BOUND_SLACK = 1.05
"""Dispatch and steals are no part of the bound: so much longer is still within it."""


def judged(
    promise: Promise, cases: int, broken: int, moments: Int64, *, least: int = LEAST_CASES
) -> PromiseReading:
    """Return the reading of a promise broken in `broken` of `cases`, at `moments` among others."""
    share = broken / cases if cases else 0.0
    verdict = UNKNOWN if cases < least else BROKEN if share > MOST_BROKEN else KEPT
    return PromiseReading(
        code=promise.code,
        what=promise.what,
        verdict=verdict,
        cases=cases,
        broken=broken,
        effect=share,
        moments_ns=tuple(np.sort(moments)[:MOST_MOMENTS].tolist()),
        purpose=promise.purpose,
        source=promise.source,
        why="" if verdict != UNKNOWN else f"only {cases} cases, {least} are needed",
    )


def not_judged(promise: Promise, why: str) -> PromiseReading:
    """Return the reading of a promise that this pool's recording says nothing of."""
    return PromiseReading(
        promise.code, promise.what, UNKNOWN, 0, 0, 0.0, (), promise.purpose, promise.source, why
    )


def promises(
    pool: PoolLedger, begin_ns: int, end_ns: int, graph: GraphReading | None
) -> tuple[PromiseReading, ...]:
    """Return every promise and how it was kept in a window."""
    bound = greedy_bound(graph)
    if pool.shared_queue:
        return (
            bound,
            not_judged(
                PARKS_WHEN_EMPTY,
                "the workers share one queue and do not say when they look: see starved and waking",
            ),
            not_judged(STAYS_IN_POOL, "the workers share one queue and have no other to take from"),
        )
    return (
        parks_when_empty(pool, begin_ns, end_ns),
        stays_in_pool(pool, begin_ns, end_ns),
        bound,
    )


def greedy_bound(graph: GraphReading | None) -> PromiseReading:
    """Judge the time that a graph took against the bound of greedy schedules.

    The bound is of work that is all there when it begins, so nothing is said where it kept coming.
    """
    if graph is None:
        return not_judged(GREEDY_BOUND, "no whole graph of tasks in this window")
    if graph.last_root_s > AT_ONCE * graph.measured_s:
        return not_judged(GREEDY_BOUND, "work kept coming in, so no bound on the whole holds")
    ratio = graph.measured_s / graph.greedy_bound_s if graph.greedy_bound_s else 0.0
    broken = ratio > BOUND_SLACK
    reading = judged(GREEDY_BOUND, 1, int(broken), np.zeros(0, dtype=np.int64), least=1)
    return replace(reading, effect=ratio)


def parks_when_empty(pool: PoolLedger, begin_ns: int, end_ns: int) -> PromiseReading:
    """Judge each parking in a window by whether a task had been queued well before it.

    Counted are tasks spawned at least `RACE_NS` before the worker parked, less those begun up to
    `RACE_NS` after: what is left was there to be found. A parking with a task spawned within
    `RACE_NS` of it is a case all the same, and kept.
    """
    gaps = Recent(pool.gaps, begin_ns)
    inside = (gaps["state"] == PARKED) & (gaps["began_ns"] >= begin_ns)
    parked = np.sort(gaps["began_ns"][inside & (gaps["began_ns"] < end_ns)])
    queued = queued_for_sure(pool, parked)
    late = parked[queued > 0]
    return judged(PARKS_WHEN_EMPTY, len(parked), len(late), late)


def queued_for_sure(pool: PoolLedger, moments: Int64) -> Int64:
    """Return at least how many tasks were queued at each moment, races left out."""
    if not len(moments):
        return np.zeros(0, dtype=np.int64)
    first = int(moments.min()) - RACE_NS
    spawned = np.sort(Recent(pool.spawns, first)["spawned_ns"])
    spawned = spawned[spawned >= first]
    tasks = Recent(pool.tasks, first)
    open_began = [i.began_ns for worker in pool.open for i in worker if i.what == "task"]
    started = np.sort(np.concatenate([tasks["started_ns"], open_began]).astype(np.int64))
    started = started[started >= first]
    # All that was spawned before and is begun after `first` was queued then.
    base = pool.written("spawns") - len(spawned) - (_begun(pool) - len(started))
    before = np.searchsorted(spawned, moments - RACE_NS, side="right")
    begun = np.searchsorted(started, moments + RACE_NS, side="right")
    return np.asarray(np.maximum(0, base) + before - begun, dtype=np.int64)


def _begun(pool: PoolLedger) -> int:
    """Return how many tasks had been begun or cancelled by the last levels."""
    still = sum(i.what == "task" for worker in pool.open for i in worker)
    return pool.written("tasks") + pool.untold + still


def stays_in_pool(pool: PoolLedger, begin_ns: int, end_ns: int) -> PromiseReading:
    """Judge each task run by whether its number and its spawn are this pool's.

    A task's number counts its pool's spawns, so one that was spawned in another pool bears a stamp
    that the spawn of its number here does not have.
    """
    tasks = Recent(pool.tasks, begin_ns)
    inside = (tasks["ended_ns"] > begin_ns) & (tasks["started_ns"] < end_ns)
    number, stamp, started = (tasks[name][inside] for name in ("task", "spawned_ns", "started_ns"))
    spawns = pool.spawns["spawned_ns"]
    place = number - (pool.written("spawns") - len(spawns))
    known = (place >= 0) & (place < len(spawns))
    foreign = spawns[place[known]] != stamp[known]
    foreign_at = started[known][foreign]
    return judged(STAYS_IN_POOL, int(known.sum()), len(foreign_at), foreign_at)
