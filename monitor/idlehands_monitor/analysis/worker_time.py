"""Where the worker time went: eight entries that add up to workers × window exactly.

============== ========================================================================
working        in a task, on a core
blocked        in a task, off the core by its own doing: I/O, a lock, a join
run_queue_wait in a task, runnable, no core free
dispatch       between tasks or inside a helping join: pushing, popping, bookkeeping
searching      looking for work in other deques
waking         parked, but the task it runs next was already there and the wake was sent
starved        parked while a task was queued that nobody was being woken for
no_work        parked, and nothing queued in its pool
============== ========================================================================

With q(t) tasks queued and p(t) workers parked, starved + waking = ∫ min(q, p) dt: the idle time
that a work-conserving scheduler would not have had. Dispatch is what is left of a worker's
window when its tasks and gaps are taken out, which is what makes the sum exact.

On-core time comes from the tasks whose CPU time was read, and for the rest from the kernel's
per-thread counters less what searching and dispatch used (they do not sleep).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from .detail import SAMPLED, TOTALS, parts, sampled_shares
from .intervals import Cut, cut, sum_per_worker, task_rows
from .rows import Int64
from .stays import seats

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..ledger import HostCounters, PoolLedger

Float = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WorkerTime:
    """Nanoseconds in each of the eight entries, always in this order."""

    working: int = 0
    blocked: int = 0
    run_queue_wait: int = 0
    dispatch: int = 0
    searching: int = 0
    waking: int = 0
    starved: int = 0
    no_work: int = 0

    @property
    def total(self) -> int:
        """The sum of all entries: workers × window."""
        return self.working + self.blocked + self.run_queue_wait + self.dispatch + self.idle

    @property
    def idle(self) -> int:
        """Searching and parked time together."""
        return self.searching + self.waking + self.starved + self.no_work

    def __add__(self, other: WorkerTime) -> WorkerTime:
        return WorkerTime(*(getattr(self, name) + getattr(other, name) for name in ENTRIES))


ENTRIES = tuple(field.name for field in fields(WorkerTime))


@dataclass(frozen=True, slots=True)
class PoolTime:
    """Worker time of one pool over the recorded part of a window.

    `per_worker` adds up to `pool` entry by entry. `recorded_ns` is the window less its holes.
    `counted_ns` is that part of it of which only the number of tasks is known, not in `pool`;
    `sampled_ns` the part whose figures are estimates, with the standard error `error` of the share
    of time in tasks. `core_time` says what splits working from blocked: "kernel" (schedstat),
    "process" (no run queue), "tasks" (only CPU times read with the tasks), "assumed" (tasks
    counted as working).
    """

    pool: WorkerTime
    per_worker: tuple[WorkerTime, ...]
    recorded_ns: int
    core_time: str
    counted_ns: int = 0
    sampled_ns: int = 0
    error: float = 0.0


def pool_time(pool: PoolLedger, host: HostCounters, begin_ns: int, end_ns: int) -> PoolTime:
    """Return the worker time of `pool` between two moments, holes in the recording left out."""
    per_worker = [WorkerTime() for _ in range(pool.workers)]
    recorded = counted = sampled = 0
    source, error = "assumed", 0.0
    for whole in recorded_stretches(pool, begin_ns, end_ns):
        for low, high, step in parts(pool, *whole):
            recorded += high - low
            if step == TOTALS:
                counted += high - low
                continue
            stretch = cut(pool, low, high)
            if step == SAMPLED:
                source, times, error = _sampled_time(pool, host, stretch)
                sampled += high - low
            else:
                source, times = _stretch_time(pool, host, stretch)
            per_worker = [a + b for a, b in zip(per_worker, times, strict=True)]
    total = sum(per_worker, start=WorkerTime())
    return PoolTime(total, tuple(per_worker), recorded, source, counted, sampled, error)


def _sampled_time(
    pool: PoolLedger, host: HostCounters, stretch: Cut
) -> tuple[str, list[WorkerTime], float]:
    """Return the worker time of a stretch in which tasks were sampled, see `detail`."""
    present = stretch.present_ns
    shares = sampled_shares(
        pool, task_rows(pool, stretch.end_ns), present, stretch.begin_ns, stretch.end_ns
    )
    dispatch = present - shares.in_task - shares.parked
    source, on_core, run_queue = _on_core(pool, host, stretch, shares.in_task, dispatch)
    rows = [
        WorkerTime(
            working=int(on_core[worker]),
            blocked=int(shares.in_task[worker] - on_core[worker] - run_queue[worker]),
            run_queue_wait=int(run_queue[worker]),
            dispatch=int(dispatch[worker]),
            no_work=int(shares.parked[worker]),
        )
        for worker in range(stretch.workers)
    ]
    return source, rows, shares.error


def recorded_stretches(pool: PoolLedger, begin_ns: int, end_ns: int) -> Iterable[tuple[int, int]]:
    """Yield the parts of a window in which nothing was lost."""
    low = begin_ns
    for hole in sorted(pool.holes, key=lambda hole: hole.began_ns):
        if hole.ended_ns <= low or hole.began_ns >= end_ns:
            continue
        if hole.began_ns > low:
            yield low, hole.began_ns
        low = max(low, hole.ended_ns)
    if low < end_ns:
        yield low, end_ns


def _stretch_time(
    pool: PoolLedger, host: HostCounters, stretch: Cut
) -> tuple[str, list[WorkerTime]]:
    workers = stretch.workers
    tasks, waits, gaps = stretch.tasks, stretch.waits, stretch.gaps
    parked_rows = gaps.extra["parked"] == 1
    helping = waits.extra["helping"] > 0
    nested = tasks.per_worker(workers, tasks.nested) + gaps.per_worker(workers, gaps.nested)
    in_task = tasks.per_worker(workers) - waits.per_worker(workers)
    recorded_waits = waits.per_worker(workers, ~helping)
    outer = tasks.per_worker(workers, ~tasks.nested) + gaps.per_worker(workers, ~gaps.nested)
    dispatch = stretch.present_ns - outer + waits.per_worker(workers, helping) - nested
    searching = gaps.per_worker(workers, ~parked_rows)
    parked = gaps.per_worker(workers, parked_rows)
    waking, starved = parked_split(stretch)
    source, on_core, run_queue = _on_core(pool, host, stretch, in_task, dispatch + searching)
    rows = []
    for worker in range(workers):
        working = int(on_core[worker])
        queued = int(run_queue[worker])
        rows.append(
            WorkerTime(
                working=working,
                blocked=int(in_task[worker]) - working - queued + int(recorded_waits[worker]),
                run_queue_wait=queued,
                dispatch=int(dispatch[worker]),
                searching=int(searching[worker]),
                waking=int(waking[worker]),
                starved=int(starved[worker]),
                no_work=int(parked[worker] - waking[worker] - starved[worker]),
            )
        )
    return source, rows


def parked_split(stretch: Cut) -> tuple[Int64, Int64]:
    """Return (waking, starved) nanoseconds per worker, shape (workers,) each.

    Their sum over workers is ∫ min(q, p) dt exactly. Which of several parked workers starved
    cannot be told when there were fewer queued tasks than parked workers, so they share it.
    """
    workers = stretch.workers
    chosen = stretch.gaps.extra["parked"] == 1
    worker, began, ended = (
        column[chosen] for column in (stretch.gaps.worker, stretch.gaps.began, stretch.gaps.ended)
    )
    wakes = np.clip(stretch.gaps.extra["waking_ns"][chosen], began, ended)
    waking = sum_per_worker(worker, ended - wakes, workers)
    edges, queued, parked, awaking = _levels(stretch, began, ended, wakes)
    widths = np.diff(edges)
    short = np.minimum(queued, parked) - awaking  # queued tasks that nobody is woken for
    total = int((np.maximum(short, 0) * widths).sum())
    waiting = parked - awaking
    share = np.where(waiting > 0, np.maximum(short, 0) / np.maximum(waiting, 1), 0.0)
    cumulative = np.concatenate([[0.0], np.cumsum(share * widths)])
    per_gap = np.interp(wakes, edges, cumulative) - np.interp(began, edges, cumulative)
    shares = np.bincount(worker, weights=per_gap, minlength=workers).astype(np.float64)
    return waking, round_to_total(shares, total)


def _levels(
    stretch: Cut, began: Int64, ended: Int64, wakes: Int64
) -> tuple[Int64, Int64, Int64, Int64]:
    """Return step functions over the stretch: edges (n+1,), then q, p and waking workers (n,)."""
    moments = np.concatenate([stretch.spawned_ns, stretch.started_ns, began, ended, wakes, ended])
    kinds = (
        (stretch.spawned_ns, 0, 1),
        (stretch.started_ns, 0, -1),
        (began, 1, 1),
        (ended, 1, -1),
        (wakes, 2, 1),
        (ended, 2, -1),
    )
    steps = np.zeros((3, len(moments)), dtype=np.int64)
    place = 0
    for times, level, step in kinds:
        steps[level, place : place + len(times)] = step
        place += len(times)
    order = np.argsort(moments, kind="stable")
    sums = np.cumsum(steps[:, order], axis=1)
    sums = np.concatenate([np.zeros((3, 1), dtype=np.int64), sums], axis=1)
    edges = np.concatenate([[stretch.begin_ns], moments[order], [stretch.end_ns]])
    queued = np.maximum(sums[0] + stretch.queued_at_begin, 0)
    return edges, queued, sums[1], sums[2]


def _on_core(
    pool: PoolLedger, host: HostCounters, stretch: Cut, in_task: Int64, bookkeeping: Int64
) -> tuple[str, Int64, Int64]:
    """Return (source, on-core ns, run-queue ns) of the time inside tasks, per worker."""
    workers, tasks = stretch.workers, stretch.tasks
    cpu, full = tasks.extra["cpu_ns"], tasks.extra["full_ns"]
    read = cpu >= 0
    part = np.where(read, tasks.lengths / np.maximum(full, 1), 0.0)
    known = np.bincount(tasks.worker, weights=np.where(read, cpu, 0) * part, minlength=workers)
    on_core = np.minimum(known, in_task)
    run_queue = np.zeros(workers)
    kernel = process = False
    cores, queues = np.zeros(workers), np.zeros(workers)
    covered_ns = np.zeros(workers, dtype=np.int64)
    for seat in seats(pool, stretch.begin_ns, stretch.end_ns):
        core, queue, covered = host.between(seat.native_id, seat.began_ns, seat.ended_ns)
        if covered:
            scale = (seat.ended_ns - seat.began_ns) / covered
            cores[seat.worker] += core * scale
            queues[seat.worker] += queue * scale
            covered_ns[seat.worker] += seat.ended_ns - seat.began_ns
            kernel, process = host.has_run_queue, not host.has_run_queue
    for worker in np.flatnonzero(covered_ns).tolist():
        # Threads that came and went between two samples worked as those that were sampled did.
        scale = max(1.0, int(stretch.present_ns[worker]) / int(covered_ns[worker]))
        rest = max(0.0, cores[worker] * scale - known[worker] - bookkeeping[worker])
        on_core[worker] = min(float(in_task[worker]), known[worker] + rest)
        active = max(1, int(in_task[worker] + bookkeeping[worker]))
        share = queues[worker] * scale * in_task[worker] / active
        run_queue[worker] = min(float(in_task[worker]) - on_core[worker], share)
    if kernel or process:
        source = "kernel" if kernel else "process"
    elif read.any():
        source = "tasks"
    else:
        source, on_core = "assumed", in_task.astype(np.float64)
    return source, on_core.astype(np.int64), run_queue.astype(np.int64)


def round_to_total(shares: Float, total: int) -> Int64:
    """Return integers near `shares` that add up to `total` (largest remainders get the rest)."""
    floors = np.floor(shares).astype(np.int64)
    left = total - int(floors.sum())
    order = np.argsort(shares - floors, kind="stable")[::-1]
    step = 1 if left > 0 else -1
    for place in range(min(abs(left), len(floors))):
        floors[order[place % max(1, len(order))]] += step
    return floors
