"""How much of the time in tasks was on a core, and how much waited for one. Pure.

The rates come from `state_rates`, the counters from the ledger.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ...ledger.lifetimes import slots
from ...model.arrays import Float, Int64
from ...model.vocabulary import CoreTimeSource
from .state_rates import FIRST_KIND, ON, QUEUED, UNKNOWN_KIND, fitted, start_rates, sums_of

if TYPE_CHECKING:
    from ...ledger import HostCounters, PoolLedger
    from .state_rates import Evidence
    from .window import Slice


class InTasks(NamedTuple):
    """Time in tasks outside recorded waits: its source; ns on a core and in a run queue per worker;
    an estimate of how the states spread over kinds, ns, shape (kinds + 1, 3)."""

    source: CoreTimeSource
    working: Int64
    run_queue: Int64
    kinds: Float


def states_in_tasks(
    host: HostCounters, stretch: Slice, evidence: Evidence, rates: Float | None, in_task: Int64
) -> InTasks:
    """Return the states of the time in tasks of a stretch; `in_task` is exact, ns per worker."""
    columns = len(evidence.samples)
    if evidence.is_covered and rates is not None:
        source = CoreTimeSource.KERNEL if host.has_run_queue else CoreTimeSource.PROCESS
        time = fitted(evidence, rates).time_of_pieces()
    else:
        time = np.zeros((len(evidence.ns), 3))
        read = (stretch.tasks.extra["cpu_ns"] >= 0).any()
        source = CoreTimeSource.TASKS if read else CoreTimeSource.ASSUMED
        time[:, ON] = evidence.cpu_ns if read else evidence.ns
    if not host.has_run_queue:
        time[:, QUEUED] = 0.0
    tasks = (evidence.column == UNKNOWN_KIND) | (evidence.column >= FIRST_KIND)
    kind = np.where(evidence.column >= FIRST_KIND, evidence.column, columns) - FIRST_KIND
    kinds = sums_of(kind[tasks], time[tasks], columns - FIRST_KIND + 1)
    per_worker = sums_of(evidence.worker[tasks], time[tasks], stretch.workers)
    working = np.minimum(np.rint(per_worker[:, ON]).astype(np.int64), in_task)
    queued = np.minimum(np.rint(per_worker[:, QUEUED]).astype(np.int64), in_task - working)
    return InTasks(source, working, queued, kinds)


def kinds_by_rates(stretch: Slice, rates: Float, kinds: int) -> Float:
    """Return how the states of the time in tasks spread over kinds by their rates alone.

    Shape (kinds + 1, 3), as in `InTasks`; recorded waits are included.
    """
    columns = kinds + FIRST_KIND
    shares = start_rates(columns)
    shares[: len(rates)] = rates[:columns]
    kind = stretch.tasks.extra["kind"]
    known = np.where((kind >= 0) & (kind < kinds), kind, kinds)
    inside = np.bincount(known, weights=stretch.tasks.lengths, minlength=kinds + 1)
    of_kinds = np.concatenate([shares[FIRST_KIND:], shares[UNKNOWN_KIND][None]])
    spread: Float = inside[:, None] * of_kinds
    return spread


def on_core(
    pool: PoolLedger, host: HostCounters, stretch: Slice, in_task: Int64, bookkeeping: Int64
) -> tuple[CoreTimeSource, Int64, Int64]:
    """Return (source, on-core ns, run-queue ns) of the time inside tasks, per worker.

    `in_task` and `bookkeeping` (searching and dispatch, which do not sleep) are nanoseconds per
    worker, shape (workers,). On-core time comes from the tasks whose CPU time was read; for the
    rest it comes from the kernel's counters, less the bookkeeping.
    """
    workers, tasks = stretch.workers, stretch.tasks
    cpu, full = tasks.extra["cpu_ns"], tasks.extra["full_ns"]
    read = cpu >= 0
    part = np.where(read, tasks.lengths / np.maximum(full, 1), 0.0)
    known = np.bincount(tasks.worker, weights=np.where(read, cpu, 0) * part, minlength=workers)
    on = np.minimum(known, in_task)
    run_queue = np.zeros(workers)
    cores, queues, covered = _from_host(pool, host, stretch)
    has_samples = covered > 0
    # Threads that lived between two samples are assumed to have worked like the sampled ones.
    scale = np.maximum(1.0, stretch.present_ns / np.maximum(covered, 1))
    rest = np.maximum(0.0, cores * scale - known - bookkeeping)
    on[has_samples] = np.minimum(in_task, known + rest)[has_samples]
    share = queues * scale * in_task / np.maximum(1, in_task + bookkeeping)
    run_queue[has_samples] = np.minimum(in_task - on, share)[has_samples]
    if has_samples.any():
        source = CoreTimeSource.KERNEL if host.has_run_queue else CoreTimeSource.PROCESS
    elif read.any():
        source = CoreTimeSource.TASKS
    else:
        source, on = CoreTimeSource.ASSUMED, in_task.astype(np.float64)
    return source, on.astype(np.int64), run_queue.astype(np.int64)


def _from_host(pool: PoolLedger, host: HostCounters, stretch: Slice) -> tuple[Float, Float, Int64]:
    """Return (on-core ns, run-queue ns, ns of its presence that samples cover) per worker."""
    cores, queues = np.zeros(stretch.workers), np.zeros(stretch.workers)
    covered_ns = np.zeros(stretch.workers, dtype=np.int64)
    for slot in slots(pool, stretch.begin_ns, stretch.end_ns):
        core, queue, covered = host.between(slot.native_id, slot.began_ns, slot.ended_ns)
        if covered:
            scale = (slot.ended_ns - slot.began_ns) / covered
            cores[slot.worker] += core * scale
            queues[slot.worker] += queue * scale
            covered_ns[slot.worker] += slot.ended_ns - slot.began_ns
    return cores, queues, covered_ns
