"""How tasks flow through a pool, and how evenly its workers share them: from the ledger's rows.

Pure. A task is in the pool from its spawn until it ends; a cancelled one leaves when it is
cancelled, which is its started_ns. What is in the pool at the end of a window is told by the
open intervals and by the spawns that no task answers to. Formulas are in `theory`, `summary` and
`spread`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ledger.detail import is_fully_recorded
from ...ledger.queue_length import queued_at
from ...ledger.rows import NEVER, Recent, never_ran, own_ns, ran_to_end, still_open
from ...model.arrays import Int64
from ...model.queueing import BalanceReading, QueueingReading
from ...model.worker_time import in_task_ns
from ..stats.spread import imbalance, jain
from ..stats.summary import summarise
from .theory import LittleReading, allen_cunneen_wait, little, mmc_wait

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.worker_time import PoolTime

LEAST_TASKS = 30
"""Fewer tasks than this have no mean worth comparing; common practice, no source."""


def queueing(
    pool: PoolLedger, time: PoolTime, begin_ns: int, end_ns: int
) -> QueueingReading | None:
    """Return how tasks flowed through the pool in a window whose worker time is `time`.

    None with fewer than `LEAST_TASKS` tasks run to their end in it, where rows of it were lost,
    and where detail was sampled in it or before: then tasks went by without a trace.
    """
    if not is_fully_recorded(pool, time, begin_ns, end_ns):
        return None
    store = Recent(pool.tasks, begin_ns)
    ran = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    ran &= ran_to_end(store["outcome"])
    count = int(np.count_nonzero(ran))
    busy_ns = in_task_ns(time.pool)
    if count < LEAST_TASKS or busy_ns <= 0:
        return None
    arrived, departed = in_pool(pool, begin_ns, end_ns)
    path = little(arrived, departed, begin_ns, end_ns)
    service_s = busy_ns / count / 1e9
    variation = _variation(own_ns(pool, store, ran))
    # Each worker's rows come nearly in order, which is what a stable sort is quick at.
    inside = np.sort(arrived[(arrived >= begin_ns) & (arrived < end_ns)], kind="stable")
    between = _variation(inside[1:] - inside[:-1])
    servers = max(1, round(time.pool.total / path.window_ns))
    by_mmc, by_variation = _theory(path, service_s, servers, between, variation)
    return QueueingReading(
        servers=servers,
        arrival_rate=path.arrival_rate,
        mean_in_pool=path.mean_in_system,
        mean_time_s=path.mean_time_s,
        mean_queue_wait_s=summarise((store["started_ns"] - store["spawned_ns"])[ran]).mean / 1e9,
        mean_service_s=service_s,
        utilisation=busy_ns / time.pool.total,
        arrival_variation=between,
        service_variation=variation,
        mmc_wait_s=by_mmc,
        allen_cunneen_wait_s=by_variation,
        closed=path.closed,
        before_s=path.before_ns / 1e9,
        after_s=path.after_ns / 1e9,
    )


def balance(time: PoolTime, finished: int) -> BalanceReading | None:
    """Return how evenly time in tasks was spread over the workers that were there.

    None with fewer than `LEAST_TASKS` finished tasks, and where detail was sampled.
    """
    loads = [in_task_ns(worker) / 1e9 for worker in time.per_worker if worker.total > 0]
    if finished < LEAST_TASKS or time.counted_ns + time.thinned_ns > 0 or not loads:
        return None
    spread = imbalance(loads)
    return BalanceReading(len(loads), spread.excess, spread.time, jain(loads))


def in_pool(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[Int64, Int64]:
    """Return when each task that was in the pool in a window came and left, shape (n,) each.

    Those still there at the end leave at `NEVER`, or later than the end. Of tasks queued since
    before the window only the number is known; they come one nanosecond before it.
    """
    store = Recent(pool.tasks, begin_ns)
    _workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    spawned = np.concatenate([store["spawned_ns"], [i.spawned_ns for i in still]]).astype(np.int64)
    started = np.concatenate([store["started_ns"], [i.began_ns for i in still]]).astype(np.int64)
    left = np.where(never_ran(store["outcome"]), store["started_ns"], store["ended_ns"])
    left = np.concatenate([left, np.full(len(still), NEVER, dtype=np.int64)])
    queued = queued_at(pool, end_ns) - int(
        np.count_nonzero((spawned < end_ns) & (started >= end_ns))
    )
    waiting = np.zeros(0, dtype=np.int64)
    if queued > 0:  # some of them have not begun yet
        fresh = _unanswered(Recent(pool.spawns, begin_ns)["spawned_ns"], spawned, begin_ns, end_ns)
        old = np.full(max(0, queued - len(fresh)), begin_ns - 1, dtype=np.int64)
        waiting = np.concatenate([fresh, old])
    # A damaged stream may tell of any moments; they must not run backwards or out of range.
    arrived = np.maximum(np.concatenate([spawned, waiting]), 0)
    departed = np.concatenate([left, np.full(len(waiting), NEVER, dtype=np.int64)])
    return arrived, np.maximum(departed, arrived)


def _unanswered(spawns: Int64, known: Int64, begin_ns: int, end_ns: int) -> Int64:
    """Return the spawns in [begin, end) that no known task came from: those still queued.

    Several may bear one stamp (the chunks of a map), so they are counted off against each other.
    """
    spawns, known = (
        np.sort(stamps[(stamps >= begin_ns) & (stamps < end_ns)]) for stamps in (spawns, known)
    )
    place_among_equals = np.arange(len(spawns)) - np.searchsorted(spawns, spawns, side="left")
    answered = np.searchsorted(known, spawns, "right") - np.searchsorted(known, spawns, "left")
    return np.asarray(spawns[place_among_equals >= answered])


def _variation(times: Int64) -> float | None:
    """Return the squared coefficient of variation, None where there is too little to tell."""
    if len(times) < LEAST_TASKS - 1:  # of the times between so many tasks there is one fewer
        return None
    variation = summarise(times).variation
    return variation if variation == variation else None


def _theory(
    path: LittleReading,
    service_s: float,
    servers: int,
    between: float | None,
    service: float | None,
) -> tuple[float | None, float | None]:
    """Return the mean waits by M/M/c and by Allen and Cunneen, None where too little arrived."""
    if path.arrivals < LEAST_TASKS:
        return None, None
    rate = path.arrival_rate
    by_mmc = mmc_wait(rate, service_s, servers)
    if between is None or service is None:
        return by_mmc, None
    return by_mmc, allen_cunneen_wait(rate, service_s, servers, between, service)
