"""The tasks of a window: their counts, their kinds, and hand-overs. Pure."""

from __future__ import annotations

from functools import partial

import numpy as np

from idlehands.wire import CANCELLED, FAILED, LOST, MOVED

from ...ledger import OpenInterval, PoolLedger
from ...ledger.detail import tasks_run, weights
from ...ledger.queue_length import queued_at
from ...ledger.rows import Recent, kind_name, ran_to_end
from ...model.arrays import Bool, Int64
from ...model.tasks import HandOverReading, KindReading, RaisedReading, TaskReading
from ...model.vocabulary import PoolKind
from ...model.worker_time import PoolTime
from ..stats.cache import FRESH, Cache
from ..stats.order_statistics import distinct
from ..stats.summary import quantile

MOST_COUNTED_KIND = 1 << 16
"""Far above the numbers that a probe gives to kinds of task."""


def hand_overs_reading(pool: PoolLedger, begin_ns: int, end_ns: int) -> HandOverReading:
    """Return which worker ran the tasks of which submitter; empty for a pool that steals."""
    if pool.kind == PoolKind.STEALING:
        return HandOverReading(())
    store, side = Recent(pool.tasks, begin_ns), pool.workers
    inside = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    inside &= (store["worker"] >= 0) & (store["worker"] < side) & (store["spawned_by"] < side)
    counts = np.zeros((side + 1, side), dtype=np.int64)
    submitters = np.maximum(store["spawned_by"][inside], -1) + 1
    np.add.at(counts, (submitters, store["worker"][inside]), weights(pool, store)[inside])
    return HandOverReading(tuple(tuple(row) for row in counts.tolist()))


def task_reading(
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    time: PoolTime,
    cache: Cache | None = None,
    age: int = FRESH.kinds,
    *,
    thinned: bool,
) -> TaskReading:
    """Return the tasks of a window whose worker time is `time`.

    `thinned`: some tasks left no row; then the running totals count the tasks. `cache` holds the
    costliest figures for `age` seconds.
    """
    store = Recent(pool.tasks, begin_ns)
    inside = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    outcome = store["outcome"][inside]
    weight = weights(pool, store)
    finished, spawned, over_ns = _counts(pool, begin_ns, end_ns, outcome, thinned=thinned)
    over_ns = over_ns or time.recorded_ns
    costly = partial(_kinds_and_times, pool, store, inside, weight, time)
    kinds, times = costly() if cache is None else cache.cached("spread", end_ns, age, costly)
    return TaskReading(
        finished=finished,
        failed=int(weight[inside][outcome == FAILED].sum()),
        cancelled=int(np.count_nonzero(outcome == CANCELLED)),
        lost=int(np.count_nonzero(outcome == LOST)) + sum(map(_holds_lost, pool.open)),
        moved=int(np.count_nonzero(outcome == MOVED)),
        per_s=finished / over_ns * 1e9 if over_ns else 0.0,
        calls=sum(kind.calls for kind in kinds),
        spawned=spawned,
        queued=_queued(pool, end_ns, thinned=thinned),
        running=sum(map(_runs_task, pool.open)),
        median_queue_wait_s=times[0],
        p95_queue_wait_s=times[1],
        median_run_s=times[2],
        p95_run_s=times[3],
        kinds=kinds,
        raised=_raised(pool, begin_ns, end_ns),
    )


def _raised(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[RaisedReading, ...]:
    """Return which exceptions ended tasks, the most frequent first."""
    counted = pool.raised.between(begin_ns, end_ns).most_common()
    return tuple(
        RaisedReading(kind_name(pool, kind) if kind >= 0 else "", error, tasks)
        for (kind, error), tasks in counted
    )


def _counts(
    pool: PoolLedger, begin_ns: int, end_ns: int, outcome: Int64, *, thinned: bool
) -> tuple[int, int, int]:
    """Return (finished, spawned, ns that these cover; 0: the recorded part of the window)."""
    if (thinned or pool.lost_rows) and pool.totals and pool.totals[-1][1]:
        return *tasks_run(pool, begin_ns, end_ns), end_ns - begin_ns  # lost rows are counted, too
    spawned_ns = Recent(pool.spawns, begin_ns)["spawned_ns"]
    spawned = int(np.count_nonzero((spawned_ns >= begin_ns) & (spawned_ns < end_ns)))
    return int(np.count_nonzero(ran_to_end(outcome))), spawned, 0


def _queued(pool: PoolLedger, end_ns: int, *, thinned: bool) -> int:
    if not thinned:
        return queued_at(pool, end_ns)
    return max(0, pool.inbox) if pool.closed_ns < 0 else 0  # the rows are only some of the tasks


def _kinds_and_times(
    pool: PoolLedger, store: Recent, inside: Bool, weight: Int64, time: PoolTime
) -> tuple[tuple[KindReading, ...], tuple[float | None, ...]]:
    """Return the costliest figures of many tasks: their kinds, and the median and the 95th
    percentile of the wait in the queue and of the run, in seconds."""
    ran = inside & ran_to_end(store["outcome"])
    started = store["started_ns"][ran]
    waits, runs = started - store["spawned_ns"][ran], store["ended_ns"][ran] - started
    times = tuple(_quantile_s(one, p) for one in (waits, runs) for p in (0.5, 0.95))
    return _kinds(pool, store, ran, weight, time), times


def _runs_task(intervals: list[OpenInterval]) -> bool:
    return any(i.what == "task" and i.until_ns < 0 for i in intervals)


def _holds_lost(intervals: list[OpenInterval]) -> bool:
    return any(i.what == "task" and i.until_ns >= 0 for i in intervals)


def _kinds(
    pool: PoolLedger, store: Recent, ran: Bool, weights: Int64, time: PoolTime
) -> tuple[KindReading, ...]:
    kinds, lengths = store["kind"][ran], (store["ended_ns"] - store["started_ns"])[ran]
    stolen, weight = store["taken_from"][ran] >= 0, weights[ran]
    spent_in, taken = lengths * weight, np.where(stolen, weight, 0)
    failed = np.where(store["outcome"][ran] == FAILED, weight, 0)
    # In pools that steal the size is a hint of the work in a task, in the job's own unit.
    calls = weight * np.maximum(store["size"][ran], 1) if pool.shared_queue else weight
    spent = time.in_task.by_kind / 1e9
    with_time = np.flatnonzero(spent[:, :-1].sum(axis=0)).tolist()
    readings = []
    for kind in sorted({*_distinct(kinds), *with_time}):
        rows = np.flatnonzero(kinds == kind)
        known = kind if 0 <= kind < spent.shape[1] - 1 else -1
        working_s, blocked_s, queued_s = spent[:, known].tolist()
        readings.append(
            KindReading(
                kind_name(pool, kind),
                int(weight[rows].sum()),
                float(spent_in[rows].sum()) / 1e9,
                _quantile_s(lengths[rows], 0.5),
                int(taken[rows].sum()),
                working_s,
                blocked_s,
                queued_s,
                int(failed[rows].sum()),
                int(calls[rows].sum()),
            )
        )
    return tuple(sorted(readings, key=lambda reading: -reading.total_s))


def _distinct(kinds: Int64) -> list[int]:
    """Return the numbers of all kinds, without sorting all rows if possible."""
    if not len(kinds) or kinds.min() < 0 or kinds.max() > MOST_COUNTED_KIND:
        found = distinct(kinds)
    else:
        found = np.flatnonzero(np.bincount(kinds))
    return [int(kind) for kind in found]


def _quantile_s(nanoseconds: Int64, p: float) -> float | None:
    return quantile(nanoseconds, p) / 1e9 if len(nanoseconds) else None
