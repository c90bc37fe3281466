"""How tasks flow through a pool, and how evenly its workers share them: from the ledger's rows.

Pure. A task is in the pool from its spawn until it ends; a cancelled task leaves when it is
cancelled, which is its started_ns. The tasks in the pool at the end of a window are the open
intervals, and the spawns from which no known task came. Formulas are in `theory`, `stats.summary`
and `stats.spread`.
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
"""Fewer tasks than this have no meaningful mean; common practice, no source."""


def queueing(
    pool: PoolLedger, time: PoolTime, begin_ns: int, end_ns: int
) -> QueueingReading | None:
    """Return how tasks flowed through the pool in a window whose worker time is `time`.

    None with fewer than `LEAST_TASKS` tasks run to their end in it, where rows were lost, and where
    the record was thinned in it or before: some tasks then left no row.
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
    between = _variation_between(arrived, begin_ns, end_ns)
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


def _variation_between(arrived: Int64, begin_ns: int, end_ns: int) -> float | None:
    # Each worker's rows are nearly in order, for which a stable sort is fast.
    inside = np.sort(arrived[(arrived >= begin_ns) & (arrived < end_ns)], kind="stable")
    return _variation(inside[1:] - inside[:-1])


def balance(time: PoolTime, finished: int) -> BalanceReading | None:
    """Return how evenly time in tasks was spread over the workers of a window.

    None with fewer than `LEAST_TASKS` finished tasks, and where the record was thinned.
    """
    loads = [in_task_ns(worker) / 1e9 for worker in time.per_worker if worker.total > 0]
    if finished < LEAST_TASKS or time.counted_ns + time.thinned_ns > 0 or not loads:
        return None
    spread = imbalance(loads)
    return BalanceReading(len(loads), spread.excess, spread.time, jain(loads))


def in_pool(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[Int64, Int64]:
    """Return (arrived, departed) of each task that was in the pool in a window, shape (n,) each.

    Tasks still there at the end leave at `NEVER`, or later than the end. Of tasks queued since
    before the window only the number is known; they arrive one nanosecond before it.
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
    # A damaged stream may hold any timestamps; they must be in order and within range.
    arrived = np.maximum(np.concatenate([spawned, waiting]), 0)
    departed = np.concatenate([left, np.full(len(waiting), NEVER, dtype=np.int64)])
    return arrived, np.maximum(departed, arrived)


def _unanswered(spawns: Int64, known: Int64, begin_ns: int, end_ns: int) -> Int64:
    """Return the spawns in [begin, end) from which no known task came: these are still queued.

    Several may have the same timestamp (the chunks of a map), so they are matched by number.
    """
    spawns, known = (
        np.sort(times[(times >= begin_ns) & (times < end_ns)]) for times in (spawns, known)
    )
    place_among_equals = np.arange(len(spawns)) - np.searchsorted(spawns, spawns, side="left")
    answered = np.searchsorted(known, spawns, "right") - np.searchsorted(known, spawns, "left")
    return np.asarray(spawns[place_among_equals >= answered])


def _variation(times: Int64) -> float | None:
    """Return the squared coefficient of variation, None with too few times or only zeros."""
    if len(times) < LEAST_TASKS - 1:  # between n tasks there are n - 1 times
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
    """Return the mean waits by M/M/c and by Allen and Cunneen, None where too few arrived."""
    if path.arrivals < LEAST_TASKS:
        return None, None
    rate = path.arrival_rate
    by_mmc = mmc_wait(rate, service_s, servers)
    if between is None or service is None:
        return by_mmc, None
    return by_mmc, allen_cunneen_wait(rate, service_s, servers, between, service)
