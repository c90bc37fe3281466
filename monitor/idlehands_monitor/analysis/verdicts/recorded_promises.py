"""Promises that are judged from the ledger's rows: parking, and taking tasks of another pool. Pure.

Timestamps are taken a little before or after their event. So two opposite events within `RACE_NS`
are a race, and no case.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import OTHER_POOL, PARKED

from ...ledger.rows import Recent, never_ran
from .judging import judged, not_judged
from .promise_list import PARKS_WHEN_EMPTY, STAYS_IN_POOL

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Bool, Int64
    from ...model.promises import PromiseReading

RACE_NS = 200_000
"""A thread may lose the interpreter lock or its core between its last attempt and its parking, or
between a take and its timestamp: common practice, no source."""
SPAWNS_LOST = "rows of spawns were lost, so it is not known which tasks were queued at which time"


def parks_when_empty(pool: PoolLedger, begin_ns: int, end_ns: int) -> PromiseReading:
    """Judge each park in a window: it is broken if a task had been queued well before it.

    Counts the tasks spawned at least `RACE_NS` before the worker parked, less those begun up to
    `RACE_NS` after it: the rest could have been found. A park with a task spawned within `RACE_NS`
    is a case, and kept. While an operation waits at a deque, a spawned task may not be in the deque
    yet, and a search may be old: such a park is no case.
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
    """Return at which timestamps an operation waited at a deque, or had within `RACE_NS` before."""
    waits = pool.contended["waited_ns"] > 0
    until = pool.contended["at_ns"][waits]
    since = np.sort(until - pool.contended["waited_ns"][waits])
    until = np.sort(until + RACE_NS)
    begun = np.searchsorted(since, timestamps, side="right")
    return np.asarray(begun > np.searchsorted(until, timestamps, side="left"), dtype=np.bool_)


def spawns_were_lost(pool: PoolLedger) -> bool:
    """Return whether rows are missing among the spawns held, so that they cannot be numbered."""
    held = pool.spawns["spawned_ns"]
    return len(held) > 0 and pool.spawns_lost_ns >= int(held[0])


def queued_for_sure(pool: PoolLedger, timestamps: Int64) -> Int64:
    """Return the least number of tasks that were queued at each timestamp, without races."""
    if not len(timestamps):
        return np.zeros(0, dtype=np.int64)
    first = int(timestamps.min()) - RACE_NS
    spawned = np.sort(Recent(pool.spawns, first)["spawned_ns"])
    spawned = spawned[spawned >= first]
    tasks = Recent(pool.tasks, first)
    open_began = [i.began_ns for worker in pool.open for i in worker if i.what == "task"]
    started = np.sort(np.concatenate([tasks["started_ns"], open_began]).astype(np.int64))
    started = started[started >= first]
    # Tasks spawned before `first` and begun after it were queued then.
    base = pool.written("spawns") - len(spawned) - (_begun(pool) - len(started))
    before = np.searchsorted(spawned, timestamps - RACE_NS, side="right")
    begun = np.searchsorted(started, timestamps + RACE_NS, side="right")
    return np.asarray(np.maximum(0, base) + before - begun, dtype=np.int64)


def _begun(pool: PoolLedger) -> int:
    """Return how many tasks had begun or been cancelled at the last levels frame."""
    still = sum(i.what == "task" for worker in pool.open for i in worker)
    return pool.written("tasks") + pool.unreported + still


def stays_in_pool(pool: PoolLedger, begin_ns: int, end_ns: int) -> PromiseReading:
    """Judge each task run: it is broken if the task was taken out of another pool.

    A worker may report that it did so. If it does not, the timestamps show it: a task's number
    counts its pool's spawns, and the spawn with that number in this pool has another timestamp.
    Neither can be a race, so not even a small share counts as kept.
    """
    if spawns_were_lost(pool):
        return not_judged(STAYS_IN_POOL, SPAWNS_LOST)
    tasks = Recent(pool.tasks, begin_ns)
    inside = (tasks["ended_ns"] > begin_ns) & (tasks["started_ns"] < end_ns)
    inside &= ~never_ran(tasks["outcome"])
    number, spawned, started = (
        tasks[name][inside] for name in ("task", "spawned_ns", "started_ns")
    )
    spawns = pool.spawns["spawned_ns"]
    place = number - (pool.written("spawns") - len(spawns))
    known = (place >= 0) & (place < len(spawns))
    foreign = spawns[place[known]] != spawned[known]
    foreign |= tasks["taken_from"][inside][known] == OTHER_POOL
    foreign_at = started[known][foreign]
    return judged(STAYS_IN_POOL, int(known.sum()), len(foreign_at), foreign_at, most=0.0)
