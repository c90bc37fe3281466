"""The workers of a pool in a window: their figures, present state and lifetimes. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import DIED, LOST, NONE

from ...ledger.rows import NEVER, Recent, kind_name, still_open
from ...model.vocabulary import WorkerState
from ...model.workers import DeadWorkerReading, LifetimesReading, WorkerReading

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Bool
    from ...model.stealing import StealReading
    from ...model.worker_time import WorkerTime
    from .history import PoolHistory

STATES = {
    "task": WorkerState.WORKING,
    "wait": WorkerState.WAITING,
    "searching": WorkerState.SEARCHING,
    "parked": WorkerState.PARKED,
}
MOST_DEAD_SHOWN = 8


def worker_readings(
    pool: PoolLedger,
    times: tuple[WorkerTime, ...],
    steals: StealReading,
    history: PoolHistory | None,
    begin_ns: int,
    end_ns: int,
) -> tuple[WorkerReading, ...]:
    """Return a reading of each worker that the pool has or had."""
    finished = _finished(pool, begin_ns, end_ns)
    last_ended = _last_ended(pool) if pool.shared_queue else {}
    stolen_by = steals.counts[0].sum(axis=1).tolist() or [0] * pool.workers
    stolen_from = steals.counts[0].sum(axis=0).tolist() or stolen_by
    workers = []
    for index in range(pool.workers):
        native_id, ident, name, pid = pool.threads.get(index, (NONE, NONE, "", NONE))
        last_ended_ns = last_ended.get(index, NONE)
        state, doing, since_ns = _present(pool, index, last_ended_ns, bound=native_id >= 0)
        workers.append(
            WorkerReading(
                index=index,
                name=name,
                native_id=native_id,
                ident=ident,
                pid=pid,
                time=times[index],
                depth=pool.deques[index] if index < len(pool.deques) else NONE,
                state=state,
                doing=doing,
                for_s=max(0.0, (pool.complete_ns - since_ns) / 1e9) if since_ns >= 0 else 0.0,
                idle_history=history.idle_shares(index) if history else (),
                tasks_finished=finished[index],
                stolen_by_it=stolen_by[index],
                stolen_from_it=stolen_from[index],
            )
        )
    return tuple(workers)


def _finished(pool: PoolLedger, begin_ns: int, end_ns: int) -> list[int]:
    """Return how many tasks each worker finished in a window."""
    tasks = Recent(pool.tasks, begin_ns)
    ended = (tasks["ended_ns"] > begin_ns) & (tasks["ended_ns"] <= end_ns)
    runners = tasks["worker"][ended & (tasks["outcome"] != LOST)]
    known = runners[(runners >= 0) & (runners < pool.workers)]
    finished: list[int] = np.bincount(known, minlength=pool.workers).tolist()
    return finished


def _last_ended(pool: PoolLedger) -> dict[int, int]:
    """Return when each worker ended the last task of which there is a row."""
    last = pool.tasks.last_before(len(pool.tasks))
    timestamps = pool.tasks["ended_ns"][last].tolist()
    return dict(zip(pool.tasks["worker"][last].tolist(), timestamps, strict=True))


def _present(
    pool: PoolLedger, index: int, last_ended_ns: int, *, bound: bool
) -> tuple[WorkerState, str, int]:
    """Return (state, kind of the present task, since when) from a worker's open intervals."""
    intervals = pool.open[index] if index < len(pool.open) else []
    gone_ns = pool.gone.get(index, NONE)
    if pool.closed_ns >= 0:
        return WorkerState.CLOSED, "", pool.closed_ns
    if not intervals and pool.shared_queue:
        return WorkerState.LEFT, "", NONE
    if gone_ns >= 0:
        in_task = any(interval.what == "task" for interval in intervals)
        return (WorkerState.DIED if in_task else WorkerState.LEFT), "", gone_ns
    if not intervals:
        return (WorkerState.BETWEEN_TASKS if bound else WorkerState.NOT_STARTED), "", NONE
    tasks = [interval for interval in intervals if interval.what == "task"]
    doing = kind_name(pool, tasks[-1].kind) if tasks else ""
    innermost = intervals[-1]
    if innermost.what == "lifetime":  # without a task it waits for one at the queue
        return WorkerState.PARKED, "", max(innermost.began_ns, last_ended_ns)
    return STATES[innermost.what], doing, innermost.began_ns


def lifetimes_reading(pool: PoolLedger, begin_ns: int, end_ns: int) -> LifetimesReading | None:
    """Return which workers joined, left and died in a window.

    None for a pool of fixed workers while all their threads run. A worker that died before the
    window counts if the pool misses it: a fixed worker, or any if none is left.
    """
    if not pool.shared_queue:
        return _gone(pool, end_ns) if pool.gone else None
    lifetimes = pool.lifetimes
    if 0 <= pool.closed_ns <= end_ns:  # its workers may be noticed to leave only later
        end_ns = NEVER
    ended = (lifetimes["ended_ns"] > begin_ns) & (lifetimes["ended_ns"] <= end_ns)
    began = lifetimes["began_ns"]
    _workers, open_lifetimes = still_open(pool, lifetimes, "began_ns", ("lifetime",))
    still = [interval.began_ns for interval in open_lifetimes]
    joined = int(np.count_nonzero((began >= begin_ns) & (began < end_ns)))
    deaths = (lifetimes["how"] == DIED) | _broke_pool(pool)
    if still or pool.closed_ns >= 0:  # otherwise no worker is left, and all deaths count
        deaths = ended & deaths
    rows = np.flatnonzero(deaths)
    latest = np.concatenate([rows[:1], rows[1 - MOST_DEAD_SHOWN :]])
    shown = np.union1d(rows[_broke_pool(pool)[rows]], latest).tolist()
    without_row = tuple(
        DeadWorkerReading(NONE, pid, "", 0.0, exit_status=status)
        for pid, status in pool.first_dead.items()
        if pid not in lifetimes["pid"]
    )
    return LifetimesReading(
        present=len(still),
        joined=joined + sum(begin_ns <= began_ns < end_ns for began_ns in still),
        left=int(np.count_nonzero(ended & ~deaths & (lifetimes["how"] != DIED))),
        died=len(rows) + len(without_row),
        dead=(*without_row, *(_dead(pool, row) for row in shown)),
        none_for_s=_none_for_s(pool, len(still)),
    )


def _none_for_s(pool: PoolLedger, present: int) -> float:
    """Return for how long no worker has been there, 0 where one is, or none ever was."""
    ended = pool.lifetimes["ended_ns"]
    if present or not len(ended) or pool.closed_ns >= 0:
        return 0.0
    return max(0, pool.complete_ns - int(ended.max())) / 1e9


def _broke_pool(pool: PoolLedger) -> Bool:
    """Return which lifetimes ended with a process whose end broke the pool."""
    broke: Bool = np.isin(pool.lifetimes["pid"], list(pool.first_dead))
    return broke


def _gone(pool: PoolLedger, end_ns: int) -> LifetimesReading:
    """Return the ended workers of a fixed pool: one that was in a task died, the others left."""
    gone = {worker: at_ns for worker, at_ns in pool.gone.items() if at_ns <= end_ns}
    dead = []
    for worker, at_ns in sorted(gone.items(), key=lambda one: one[1]):
        held = pool.open[worker] if worker < len(pool.open) else []
        tasks = [interval for interval in held if interval.what == "task"]
        if tasks:
            run_s = max(0, at_ns - tasks[-1].began_ns) / 1e9
            kind = kind_name(pool, tasks[-1].kind)
            dead.append(DeadWorkerReading(worker, pool.pid, kind, run_s, at_ns, is_thread=True))
    died = len(dead)
    present = pool.workers - len(gone)
    return LifetimesReading(present, 0, len(gone) - died, died, tuple(dead[-MOST_DEAD_SHOWN:]))


def _dead(pool: PoolLedger, row: int) -> DeadWorkerReading:
    """Return a reading of a worker that died: its last task is the one lost with it."""
    worker, ended, pid = (int(pool.lifetimes[name][row]) for name in ("worker", "ended_ns", "pid"))
    tasks = pool.tasks
    lost = (tasks["worker"] == worker) & (tasks["outcome"] == LOST) & (tasks["ended_ns"] <= ended)
    places = np.flatnonzero(lost & (tasks["started_ns"] >= pool.lifetimes["began_ns"][row]))
    kind, run_s, is_thread = "", 0.0, pid == pool.pid
    errors: tuple[str, ...] = ()
    if len(places):
        last = int(places[-1])
        run_s = int(tasks["ended_ns"][last] - tasks["started_ns"][last]) / 1e9
        number = int(tasks["kind"][last])
        kind, errors = kind_name(pool, number), pool.raised.names(number) if is_thread else ()
    status = pool.first_dead.get(pid)
    return DeadWorkerReading(worker, pid, kind, run_s, ended, is_thread, status, errors)
