"""From the ledger to a reading: one window, every pool, everything a view shows.

Pure: the window, the source's state and the number of cores are handed in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import CANCELLED, FAILED, NONE

from .findings import findings
from .intervals import queued_at
from .readings import (
    KindReading,
    PoolReading,
    Reading,
    SourceReading,
    StealReading,
    TaskReading,
    WorkerReading,
)
from .worker_time import pool_time

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from ..ledger import Ledger, OpenInterval, PoolLedger
    from .worker_time import PoolTime, WorkerTime

NOT_RECORDED = float("nan")

STATES = {"task": "working", "wait": "waiting", "searching": "searching", "parked": "parked"}


def read(
    ledger: Ledger,
    source: SourceReading,
    window_ns: int | None = None,
    history: Mapping[int, Sequence[PoolTime]] | None = None,
) -> Reading:
    """Return the reading of the last `window_ns` (None: all that is held) of every pool.

    `history` holds past seconds by the pool's number, for the views that draw them.
    """
    pools = [
        read_pool(ledger, pool, *window, tuple((history or {}).get(pool.number, ())))
        for pool in ledger.pools.values()
        if (window := window_of(pool, window_ns)) is not None
    ]
    return Reading(source, tuple(pools))


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
    steals = _steals(pool, begin_ns, end_ns)
    return PoolReading(
        name=pool.name,
        kind=pool.kind,
        number=pool.number,
        workers=_workers(pool, time.per_worker, steals, history, begin_ns, end_ns),
        history=tuple(second.pool for second in history),
        begin_ns=begin_ns,
        end_ns=end_ns,
        window_s=window_s,
        unrecorded_s=(end_ns - begin_ns) / 1e9 - window_s,
        time=time.pool,
        core_time=time.core_time,
        tasks=_tasks(pool, begin_ns, end_ns),
        steals=steals,
        inbox=pool.inbox,
        findings=findings(time.pool, pool.workers, window_s),
        lost_rows=pool.lost_rows,
        misuses=pool.misuses,
        closed=pool.closed_ns >= 0,
    )


def _workers(
    pool: PoolLedger,
    times: tuple[WorkerTime, ...],
    steals: StealReading,
    history: tuple[PoolTime, ...],
    begin_ns: int,
    end_ns: int,
) -> tuple[WorkerReading, ...]:
    ended = (pool.tasks["ended_ns"] > begin_ns) & (pool.tasks["ended_ns"] <= end_ns)
    runners = pool.tasks["worker"][ended]
    finished = np.bincount(
        runners[(runners >= 0) & (runners < pool.workers)], minlength=pool.workers
    )
    workers = []
    for index in range(pool.workers):
        intervals = pool.open[index] if index < len(pool.open) else []
        native_id, ident, name = pool.threads.get(index, (NONE, NONE, ""))
        state, doing, since_ns = _present(pool, intervals, bound=native_id >= 0)
        workers.append(
            WorkerReading(
                index=index,
                name=name,
                native_id=native_id,
                ident=ident,
                time=times[index],
                depth=pool.deques[index] if index < len(pool.deques) else NONE,
                state=state,
                doing=doing,
                for_s=max(0.0, (pool.complete_ns - since_ns) / 1e9) if since_ns >= 0 else 0.0,
                idle_history=tuple(_idle_share(second.per_worker[index]) for second in history),
                tasks_finished=int(finished[index]),
                stolen_by_it=sum(steals.hits[index]),
                stolen_from_it=sum(row[index] for row in steals.hits),
            )
        )
    return tuple(workers)


def _present(
    pool: PoolLedger, intervals: list[OpenInterval], *, bound: bool
) -> tuple[str, str, int]:
    """Return (state, kind of the task in hand, since when) from a worker's open intervals."""
    if pool.closed_ns >= 0:
        return "closed", "", pool.closed_ns
    if not intervals:
        return ("between tasks" if bound else "not started"), "", NONE
    tasks = [interval for interval in intervals if interval.what == "task"]
    doing = kind_name(pool, tasks[-1].kind) if tasks else ""
    innermost = intervals[-1]
    return STATES[innermost.what], doing, innermost.began_ns


def _idle_share(time: WorkerTime) -> float:
    return time.idle / time.total if time.total else NOT_RECORDED


def kind_name(pool: PoolLedger, kind: int) -> str:
    """Return the name of a kind of task by its number."""
    return pool.task_kinds[kind] if 0 <= kind < len(pool.task_kinds) else f"kind {kind}"


def _steals(pool: PoolLedger, begin_ns: int, end_ns: int) -> StealReading:
    counts = pool.counts_between(begin_ns, end_ns)
    hits, empties, lost = (
        tuple(tuple(row) for row in matrix.tolist())
        for matrix in (counts.hits, counts.empties, counts.lost_races)
    )
    return StealReading(hits, empties, lost)


def _tasks(pool: PoolLedger, begin_ns: int, end_ns: int) -> TaskReading:
    store = pool.tasks
    inside = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    outcome = store["outcome"][inside]
    ran = inside & (store["outcome"] != CANCELLED)
    waits = (store["started_ns"] - store["spawned_ns"])[ran]
    spawned = pool.spawns["spawned_ns"]
    return TaskReading(
        finished=int(np.count_nonzero(outcome != CANCELLED)),
        failed=int(np.count_nonzero(outcome == FAILED)),
        cancelled=int(np.count_nonzero(outcome == CANCELLED)),
        spawned=int(np.count_nonzero((spawned >= begin_ns) & (spawned < end_ns))),
        queued=queued_at(pool, end_ns),
        running=sum(any(i.what == "task" for i in intervals) for intervals in pool.open),
        median_queue_wait_s=_median_s(waits),
        kinds=_kinds(pool, ran),
    )


def _kinds(pool: PoolLedger, ran: npt.NDArray[np.bool_]) -> tuple[KindReading, ...]:
    store = pool.tasks
    kinds, lengths = store["kind"][ran], (store["ended_ns"] - store["started_ns"])[ran]
    stolen = store["taken_from"][ran] >= 0
    readings = []
    for kind in np.unique(kinds).tolist():
        mine = kinds == kind
        readings.append(
            KindReading(
                kind=kind_name(pool, kind),
                finished=int(np.count_nonzero(mine)),
                total_s=float(lengths[mine].sum()) / 1e9,
                median_s=_median_s(lengths[mine]),
                stolen=int(np.count_nonzero(stolen & mine)),
            )
        )
    return tuple(sorted(readings, key=lambda reading: -reading.total_s))


def _median_s(nanoseconds: npt.NDArray[np.int64]) -> float:
    return float(np.median(nanoseconds)) / 1e9 if len(nanoseconds) else 0.0
