"""From the ledger to a reading: one window, every pool, everything a view shows.

Pure: the window, the source's state and the number of cores are handed in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import CANCELLED, FAILED, LOST

from .detail import WORDS, step_at, tasks_run, weights
from .findings import findings
from .intervals import queued_at
from .readings import (
    STEALING,
    HandOverReading,
    KindReading,
    PoolReading,
    Reading,
    SourceReading,
    StealReading,
    TaskReading,
)
from .unprobed import sampled_pools
from .worker_time import pool_time
from .workers import comings_and_goings, kind_name, worker_readings

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from ..ledger import Ledger, PoolLedger
    from .worker_time import PoolTime


def read(
    ledger: Ledger,
    source: SourceReading,
    window_ns: int | None = None,
    history: Mapping[int, Sequence[PoolTime]] | None = None,
) -> Reading:
    """Return the reading of the last `window_ns` (None: all that is held) of every pool.

    Of a process without a probe, of what its threads look like from outside.

    `history` holds past seconds by the pool's number, for the views that draw them.
    """
    pools = [
        read_pool(ledger, pool, *window, tuple((history or {}).get(pool.number, ())))
        for pool in ledger.pools.values()
        if (window := window_of(pool, window_ns)) is not None
    ]
    return Reading(source, tuple(pools), sampled_pools(ledger, window_ns))


def window_of(pool: PoolLedger, window_ns: int | None) -> tuple[int, int] | None:
    """Return (begin, end) of the last `window_ns` of complete data, None before there is any."""
    end = pool.complete_ns
    if pool.closed_ns >= 0:
        end = min(end, pool.closed_ns)
    begin = pool.complete_from_ns
    if window_ns is not None:
        begin = max(begin, end - window_ns)
    return (begin, end) if 0 <= begin < end else None


def read_pool(
    ledger: Ledger,
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    history: tuple[PoolTime, ...] = (),
) -> PoolReading:
    """Return the reading of one pool between two moments."""
    time = pool_time(pool, ledger.host, begin_ns, end_ns)
    window_s = time.recorded_ns / 1e9
    sampled = time.counted_ns + time.sampled_ns > 0
    steals = _steals(pool, begin_ns, end_ns)
    stays = comings_and_goings(pool, begin_ns, end_ns)
    return PoolReading(
        name=pool.name,
        kind=pool.kind,
        number=pool.number,
        workers=worker_readings(pool, time.per_worker, steals, history, begin_ns, end_ns),
        history=tuple(second.pool for second in history),
        begin_ns=begin_ns,
        end_ns=end_ns,
        window_s=window_s,
        unrecorded_s=(end_ns - begin_ns) / 1e9 - window_s,
        time=time.pool,
        core_time=time.core_time,
        tasks=_tasks(pool, begin_ns, end_ns, sampled=sampled),
        detail=WORDS[min(step_at(pool, end_ns), len(WORDS) - 1)],
        counted_s=time.counted_ns / 1e9,
        sampled_s=time.sampled_ns / 1e9,
        sampling_error=time.error,
        steals=steals,
        hand_overs=_hand_overs(pool, begin_ns, end_ns),
        stays=stays,
        broken=pool.broken,
        inbox=pool.inbox,
        findings=findings(time.pool, pool.workers, window_s, stays),
        lost_rows=pool.lost_rows,
        misuses=pool.misuses,
        closed=pool.closed_ns >= 0,
    )


def _steals(pool: PoolLedger, begin_ns: int, end_ns: int) -> StealReading:
    counts = pool.counts_between(begin_ns, end_ns)
    hits, empties, lost = (
        tuple(tuple(row) for row in matrix.tolist())
        for matrix in (counts.hits, counts.empties, counts.lost_races)
    )
    return StealReading(hits, empties, lost)


def _hand_overs(pool: PoolLedger, begin_ns: int, end_ns: int) -> HandOverReading:
    if pool.kind == STEALING:
        return HandOverReading(())
    store, side = pool.tasks, pool.workers
    inside = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    inside &= (store["worker"] >= 0) & (store["worker"] < side) & (store["spawned_by"] < side)
    counts = np.zeros((side + 1, side), dtype=np.int64)
    submitters = np.maximum(store["spawned_by"][inside], -1) + 1
    np.add.at(counts, (submitters, store["worker"][inside]), weights(pool)[inside])
    return HandOverReading(tuple(tuple(row) for row in counts.tolist()))


def _tasks(pool: PoolLedger, begin_ns: int, end_ns: int, *, sampled: bool) -> TaskReading:
    store = pool.tasks
    inside = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    outcome = store["outcome"][inside]
    ran = inside & (store["outcome"] != CANCELLED) & (store["outcome"] != LOST)
    waits = (store["started_ns"] - store["spawned_ns"])[ran]
    moments = pool.spawns["spawned_ns"]
    spawned = int(np.count_nonzero((moments >= begin_ns) & (moments < end_ns)))
    weight = weights(pool)
    finished = int(np.count_nonzero((outcome != CANCELLED) & (outcome != LOST)))
    queued = queued_at(pool, end_ns)
    if sampled:  # the rows are some of the tasks; the totals count them all
        queued = max(0, pool.inbox) if pool.closed_ns < 0 else 0
    if (sampled or pool.lost_rows) and pool.totals and pool.totals[-1][1]:
        finished, spawned = tasks_run(pool, begin_ns, end_ns)
    return TaskReading(
        finished=finished,
        failed=int(weight[inside][outcome == FAILED].sum()),
        cancelled=int(np.count_nonzero(outcome == CANCELLED)),
        lost=int(np.count_nonzero(outcome == LOST)),
        spawned=spawned,
        queued=queued,
        running=sum(any(i.what == "task" for i in intervals) for intervals in pool.open),
        median_queue_wait_s=_median_s(waits),
        kinds=_kinds(pool, ran, weight),
    )


def _kinds(
    pool: PoolLedger, ran: npt.NDArray[np.bool_], weights: npt.NDArray[np.int64]
) -> tuple[KindReading, ...]:
    store = pool.tasks
    kinds, lengths = store["kind"][ran], (store["ended_ns"] - store["started_ns"])[ran]
    stolen, weight = store["taken_from"][ran] >= 0, weights[ran]
    readings = []
    for kind in np.unique(kinds).tolist():
        mine = kinds == kind
        readings.append(
            KindReading(
                kind=kind_name(pool, kind),
                finished=int(weight[mine].sum()),
                total_s=float((lengths * weight)[mine].sum()) / 1e9,
                median_s=_median_s(lengths[mine]),
                stolen=int(weight[stolen & mine].sum()),
            )
        )
    return tuple(sorted(readings, key=lambda reading: -reading.total_s))


def _median_s(nanoseconds: npt.NDArray[np.int64]) -> float:
    return float(np.median(nanoseconds)) / 1e9 if len(nanoseconds) else 0.0
