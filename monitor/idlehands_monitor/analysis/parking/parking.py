"""Parks and wakes of a pool's workers: how long, how soon work follows, what spinning would cost.

Pure. A pool with deques records its idle intervals. In a pool whose workers share one queue they
follow from the tasks (`lifetimes`): a worker is woken when its next task is handed in. A wait is
the time from the begin of a park until its wake was sent: a spinning worker would have gone on
then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from idlehands.wire import PARKED

from ...ledger.lifetimes import inferred_idle_intervals, inside_lifetimes, lifetime_rows
from ...ledger.rows import (
    NEVER,
    Recent,
    Rows,
    never_ran,
    of_workers,
    still_open,
    task_rows,
    with_more,
)
from ...model.arrays import Bool, Int64
from ...model.parking import ParkingReading
from ..stats.order_statistics import distinct
from ..stats.summary import quantile
from .spinning import SPINS, clairvoyant_costs, spin_reading

if TYPE_CHECKING:
    from ...ledger import PoolLedger

LEAST_WAKES = 30
"""Fewer wakes than this give no figures; common practice, no source."""


class Parks(NamedTuple):
    """Parks that have ended, shape (n,) each.

    woken_ns: when the wake was sent, -1 where unknown. work_ns: when the worker next began or
    resumed a task, -1 if it parked before that or it is not known yet. wasted: it parked before.
    """

    began_ns: Int64
    ended_ns: Int64
    woken_ns: Int64
    work_ns: Int64
    wasted: Bool


def parking(
    pool: PoolLedger, begin_ns: int, end_ns: int, park_cost_ns: float | None = None
) -> ParkingReading | None:
    """Return how workers parked in a window with full detail and no lost rows.

    None with fewer than `LEAST_WAKES` wakes in it. `park_cost_ns`: the cost of one park and wake;
    None measures it in this window, from the wake on, without the cost of the parking itself.
    """
    begun, found = (
        inferred(pool, begin_ns, end_ns) if pool.shared_queue else recorded(pool, begin_ns, end_ns)
    )
    if len(found.began_ns) < LEAST_WAKES:
        return None
    lengths = found.ended_ns - found.began_ns
    known = found.woken_ns >= 0
    worked = found.work_ns >= 0
    latency = (found.work_ns - found.woken_ns)[known & worked]
    to_work = quantile(latency, 0.5) if len(latency) >= LEAST_WAKES else None
    cost = to_work if park_cost_ns is None else park_cost_ns
    waits = np.where(known, found.woken_ns, found.ended_ns) - found.began_ns
    return ParkingReading(
        window_s=(end_ns - begin_ns) / 1e9,
        parks=begun,
        wakes=len(lengths),
        median_s=quantile(lengths, 0.5) / 1e9,
        p90_s=quantile(lengths, 0.9) / 1e9,
        p99_s=quantile(lengths, 0.99) / 1e9,
        useful=int(np.count_nonzero(worked)),
        wasted=int(np.count_nonzero(found.wasted)),
        wake_to_work_s=None if to_work is None else to_work / 1e9,
        wake_to_work_p90_s=None if to_work is None else quantile(latency, 0.9) / 1e9,
        park_cost_s=None if cost is None else cost / 1e9,
        spins=() if cost is None else tuple(spin_reading(waits, s * cost, cost) for s in SPINS),
        clairvoyant_s=0.0 if cost is None else float(clairvoyant_costs(waits, cost).sum()) / 1e9,
    )


def recorded(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[int, Parks]:
    """Return (parks begun, parks ended) in a window, of a pool that reports idle intervals."""
    store = Recent(pool.idle_intervals, begin_ns)
    workers, still = still_open(pool, pool.idle_intervals, "began_ns", ("parked",))
    parked = store["state"] == PARKED
    rows = {
        "worker": with_more(store["worker"][parked], workers),
        "began": with_more(store["began_ns"][parked], [i.began_ns for i in still]),
        "ended": with_more(store["ended_ns"][parked], [NEVER] * len(still)),
        "woken": with_more(store["woken_ns"][parked], [-1] * len(still)),
    }
    rows = of_workers(rows, pool.workers)
    begun = int(np.count_nonzero((rows["began"] >= begin_ns) & (rows["began"] < end_ns)))
    work = of_workers(_work(pool, begin_ns), pool.workers)
    inside = (rows["ended"] > begin_ns) & (rows["ended"] <= end_ns)
    began, ended = rows["began"][inside], rows["ended"][inside]
    next_work = _next(work["worker"], work["at"], rows["worker"][inside], ended)
    next_park = _next(rows["worker"], rows["began"], rows["worker"][inside], ended)
    useful = (next_work != NEVER) & (next_work <= next_park)
    # In a damaged stream a wake may be outside its park.
    woken = rows["woken"][inside]
    woken = np.where(woken >= 0, np.clip(woken, began, ended), woken)
    wasted = ~useful & (next_park != NEVER)
    return begun, Parks(began, ended, woken, np.where(useful, next_work, -1), wasted)


def _work(pool: PoolLedger, begin_ns: int) -> Rows:
    """Return when workers began a task, or resumed one after a wait."""
    tasks, waits = Recent(pool.tasks, begin_ns), Recent(pool.waits, begin_ns)
    workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    ran = ~never_ran(tasks["outcome"])
    worker = np.concatenate([tasks["worker"][ran], waits["worker"]])
    at = np.concatenate([tasks["started_ns"][ran], waits["ended_ns"]])
    return {
        "worker": with_more(worker, workers),
        "at": with_more(at, [interval.began_ns for interval in still]),
    }


def _next(worker: Int64, at: Int64, whose: Int64, since: Int64) -> Int64:
    """Return the first timestamp in `at` of the same worker from `since` on, or `NEVER`."""
    order = np.lexsort((at, worker))
    # Places of timestamps, unlike these themselves, fit into one key with a worker.
    timestamps = distinct(np.concatenate([at, since]))
    keys = (worker * len(timestamps) + np.searchsorted(timestamps, at))[order]
    place = np.searchsorted(keys, whose * len(timestamps) + np.searchsorted(timestamps, since))
    found = order[np.minimum(place, len(order) - 1)] if len(order) else place
    there = place < len(order)
    there[there] = worker[found[there]] == whose[there]
    result = np.full(len(whose), NEVER, dtype=np.int64)
    result[there] = at[found[there]]
    return result


def inferred(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[int, Parks]:
    """Return (parks begun, parks ended) in a window, of workers that share a queue.

    Each park ends with a task, so none is wasted.
    """
    lifetimes = lifetime_rows(pool, end_ns)
    idle_intervals = inferred_idle_intervals(
        inside_lifetimes(task_rows(pool, end_ns, begin_ns), lifetimes), lifetimes
    )
    begun = int(
        np.count_nonzero((idle_intervals["began"] >= begin_ns) & (idle_intervals["began"] < end_ns))
    )
    # The last park of a lifetime leads to no task: its waking is its end.
    inside = (idle_intervals["ended"] > begin_ns) & (idle_intervals["ended"] <= end_ns)
    inside &= idle_intervals["waking_ns"] < idle_intervals["ended"]
    began, ended, woken = (idle_intervals[name][inside] for name in ("began", "ended", "waking_ns"))
    return begun, Parks(began, ended, woken, ended, np.zeros(len(began), dtype=np.bool_))
