"""The workers of a pool in a window: what each did, does now, and how they came and went."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import DIED, LOST, NONE

from .readings import DeadWorkerReading, StayReading, WorkerReading
from .rows import NEVER, Recent, still_open

if TYPE_CHECKING:
    from ..ledger import OpenInterval, PoolLedger
    from .entries import WorkerTime
    from .history import PoolHistory
    from .readings import StealReading

STATES = {"task": "working", "wait": "waiting", "searching": "searching", "parked": "parked"}
MOST_DEAD_SHOWN = 8


def worker_readings(
    pool: PoolLedger,
    times: tuple[WorkerTime, ...],
    steals: StealReading,
    history: PoolHistory | None,
    begin_ns: int,
    end_ns: int,
) -> tuple[WorkerReading, ...]:
    """Return a reading for each worker that the pool has or had."""
    tasks = Recent(pool.tasks, begin_ns)
    ended = (tasks["ended_ns"] > begin_ns) & (tasks["ended_ns"] <= end_ns)
    runners = tasks["worker"][ended & (tasks["outcome"] != LOST)]
    finished = np.bincount(
        runners[(runners >= 0) & (runners < pool.workers)], minlength=pool.workers
    )
    workers = []
    last_ended = _last_ended(pool) if pool.shared_queue else {}
    stolen_by = steals.counts[0].sum(axis=1).tolist() or [0] * pool.workers
    stolen_from = steals.counts[0].sum(axis=0).tolist() or stolen_by
    for index in range(pool.workers):
        intervals = pool.open[index] if index < len(pool.open) else []
        native_id, ident, name, pid = pool.threads.get(index, (NONE, NONE, "", NONE))
        state, doing, since_ns = _present(
            pool, intervals, last_ended.get(index, NONE), bound=native_id >= 0
        )
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
                tasks_finished=int(finished[index]),
                stolen_by_it=stolen_by[index],
                stolen_from_it=stolen_from[index],
            )
        )
    return tuple(workers)


def _last_ended(pool: PoolLedger) -> dict[int, int]:
    """Return when each worker ended the last task that it has a row of."""
    last = pool.tasks.last_before(len(pool.tasks))
    moments = pool.tasks["ended_ns"][last].tolist()
    return dict(zip(pool.tasks["worker"][last].tolist(), moments, strict=True))


def _present(
    pool: PoolLedger, intervals: list[OpenInterval], last_ended_ns: int, *, bound: bool
) -> tuple[str, str, int]:
    """Return (state, kind of the task in hand, since when) from a worker's open intervals."""
    if pool.closed_ns >= 0:
        return "closed", "", pool.closed_ns
    if not intervals and pool.shared_queue:
        return "left", "", NONE
    if not intervals:
        return ("between tasks" if bound else "not started"), "", NONE
    tasks = [interval for interval in intervals if interval.what == "task"]
    doing = kind_name(pool, tasks[-1].kind) if tasks else ""
    innermost = intervals[-1]
    if innermost.what == "stay":  # no task in hand: it waits for one at the queue
        return "parked", "", max(innermost.began_ns, last_ended_ns)
    return STATES[innermost.what], doing, innermost.began_ns


def kind_name(pool: PoolLedger, kind: int) -> str:
    """Return the name of a kind of task by its number."""
    return pool.task_kinds[kind] if 0 <= kind < len(pool.task_kinds) else f"kind {kind}"


def comings_and_goings(pool: PoolLedger, begin_ns: int, end_ns: int) -> StayReading | None:
    """Return who joined, left and died in a window, None where a pool's workers are fixed."""
    if not pool.shared_queue:
        return None
    stays = pool.stays
    if 0 <= pool.closed_ns <= end_ns:  # whose workers may be seen to go only after that
        end_ns = NEVER
    ended = (stays["ended_ns"] > begin_ns) & (stays["ended_ns"] <= end_ns)
    began = stays["began_ns"]
    _workers, open_stays = still_open(pool, stays, "began_ns", ("stay",))
    still = [interval.began_ns for interval in open_stays]
    joined = int(np.count_nonzero((began >= begin_ns) & (began < end_ns)))
    died = np.flatnonzero(ended & (stays["how"] == DIED)).tolist()
    return StayReading(
        present=len(still),
        joined=joined + sum(begin_ns <= moment < end_ns for moment in still),
        left=int(np.count_nonzero(ended & (stays["how"] != DIED))),
        died=len(died),
        dead=tuple(_dead(pool, row) for row in died[-MOST_DEAD_SHOWN:]),
    )


def _dead(pool: PoolLedger, row: int) -> DeadWorkerReading:
    """Return what is known of a worker that died: its last task is the one lost with it."""
    worker, ended = int(pool.stays["worker"][row]), int(pool.stays["ended_ns"][row])
    tasks = pool.tasks
    lost = (tasks["worker"] == worker) & (tasks["outcome"] == LOST) & (tasks["ended_ns"] <= ended)
    places = np.flatnonzero(lost & (tasks["started_ns"] >= pool.stays["began_ns"][row]))
    if not len(places):
        return DeadWorkerReading(worker, int(pool.stays["pid"][row]), "", 0.0)
    last = int(places[-1])
    run_s = int(tasks["ended_ns"][last] - tasks["started_ns"][last]) / 1e9
    kind = kind_name(pool, int(tasks["kind"][last]))
    return DeadWorkerReading(worker, int(pool.stays["pid"][row]), kind, run_s)
