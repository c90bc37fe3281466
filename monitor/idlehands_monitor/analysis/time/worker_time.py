"""The time split: eight categories that add up to workers × window exactly. Pure.

============== ========================================================================
working        in a task, on a core
blocked        in a task, off the core by its own doing: I/O, a lock, a join
run_queue_wait in a task, runnable, no core free
dispatch       between tasks or inside a helping join: pushing, popping, bookkeeping
searching      looking for work in other deques
waking         parked, but its next task was already queued and the wake was sent
starved        parked while a task was queued for which no worker was being woken
no_work        parked, and no task queued in its pool
============== ========================================================================

With q(t) tasks queued and p(t) workers parked, starved + waking = ∫ min(q, p) dt: the idle time
that a work-conserving scheduler would not have had. Dispatch is the rest of a worker's window
without its tasks and idle intervals, which makes the sum exact.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ledger.detail import parts
from ...ledger.rows import task_rows
from ...model.vocabulary import DetailStep
from ...model.worker_time import PoolTime, no_time, summed
from .cores import kinds_by_rates, on_core, states_in_tasks
from .off_core import in_task as in_task_split
from .parked import parked_split
from .reconcile import reconciled
from .state_rates import FIRST_KIND, estimated, start_rates, together
from .thinned import thinned_shares
from .thread_states import evidence_of
from .window import Slice, Window

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ...ledger import HostCounters, PoolLedger
    from ...model.arrays import Float
    from .state_rates import Evidence


def pool_time(
    pool: PoolLedger,
    host: HostCounters,
    begin_ns: int,
    end_ns: int,
    window: Window | None = None,
    rates: Float | None = None,
    *,
    quick: bool = False,
) -> PoolTime:
    """Return the worker time of `pool` between two timestamps, without holes in the recording.

    window: a longer window around it, already computed. rates: the state rates of its kinds of
    task, see `state_rates`; without them they are estimated from the window. quick: the time in
    tasks is split by the counters of each thread over the window stretch and the rates of its
    kinds, not interval by interval, and samples are not counted: a tenth of the work, for what is
    computed again soon.
    """
    window = window or Window(pool, begin_ns, end_ns)
    if rates is None:
        known = not quick
        rates = rates_of(pool, host, window, begin_ns, end_ns) if known else start_rates(FIRST_KIND)
    found = [
        _stretch_time(pool, host, window, began, ended, step, rates, quick=quick)
        for low, high in recorded_stretches(pool, begin_ns, end_ns)
        for began, ended, step in parts(pool, low, high)
    ]
    return summed(found or [no_time(pool.workers)])


def slice_times(
    pool: PoolLedger,
    host: HostCounters,
    edges: Sequence[int],
    window: Window | None = None,
    rates: Float | None = None,
) -> tuple[PoolTime, ...]:
    """Return the worker time between each two adjacent `edges`, which are sorted timestamps.

    `window`, ordered, and `rates` where they have been computed already.
    """
    window = window or Window(pool, edges[0], edges[-1]).ordered()
    if rates is None:
        rates = rates_of(pool, host, window, edges[0], edges[-1])
    pairs = zip(edges, edges[1:], strict=False)
    return tuple(
        reconciled([pool_time(pool, host, low, high, window, rates) for low, high in pairs])
    )


def rates_of(
    pool: PoolLedger, host: HostCounters, window: Window, begin_ns: int, end_ns: int
) -> Float:
    """Return the rates of kinds of task in a window, shape (columns, 3), see `state_rates`."""
    found = evidence_between(pool, host, window, begin_ns, end_ns)
    return estimated(found) if found is not None else start_rates(FIRST_KIND)


def evidence_between(
    pool: PoolLedger, host: HostCounters, window: Window, begin_ns: int, end_ns: int
) -> Evidence | None:
    """Return the evidence of the recorded parts of a window, None without the kernel's counters."""
    found = []
    for low, high in recorded_stretches(pool, begin_ns, end_ns):
        for began, ended, step in parts(pool, low, high):
            if step < DetailStep.THINNED:
                part = evidence_of(pool, host, window.slice(began, ended))
                window.evidence[began, ended] = part
                found.append(part)
    covered = [part for part in found if part.is_covered]
    return together(covered) if covered else None


def recorded_stretches(pool: PoolLedger, begin_ns: int, end_ns: int) -> Iterable[tuple[int, int]]:
    """Yield the parts of a window in which no rows were lost."""
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
    pool: PoolLedger,
    host: HostCounters,
    window: Window,
    begin_ns: int,
    end_ns: int,
    step: int,
    rates: Float,
    *,
    quick: bool,
) -> PoolTime:
    """Return the worker time of a stretch without holes and with one step of detail."""
    length = end_ns - begin_ns
    if step == DetailStep.TOTALS:
        nothing = no_time(pool.workers).by_category
        return PoolTime(nothing, recorded_ns=length, counted_ns=length)
    stretch = window.slice(begin_ns, end_ns)
    if step == DetailStep.THINNED:
        return _thinned_time(pool, host, stretch)
    if quick:
        return _recorded_time(pool, host, stretch, None, rates)
    evidence = window.evidence.get((begin_ns, end_ns)) or evidence_of(pool, host, stretch)
    return _recorded_time(pool, host, stretch, evidence, rates)


def _thinned_time(pool: PoolLedger, host: HostCounters, stretch: Slice) -> PoolTime:
    """Return the worker time of a stretch in which the record was thinned, see `ledger.detail`."""
    present = stretch.present_ns
    shares = thinned_shares(
        pool, task_rows(pool, stretch.end_ns), present, stretch.begin_ns, stretch.end_ns
    )
    dispatch = present - shares.in_task - shares.parked
    source, working, run_queue = on_core(pool, host, stretch, shares.in_task, dispatch)
    nothing = np.zeros(stretch.workers, dtype=np.int64)
    blocked = shares.in_task - working - run_queue
    by_category = (working, blocked, run_queue, dispatch, nothing, nothing, nothing, shares.parked)
    length = stretch.end_ns - stretch.begin_ns
    return PoolTime(np.stack(by_category), length, source, thinned_ns=length, error=shares.error)


def _recorded_time(
    pool: PoolLedger, host: HostCounters, stretch: Slice, evidence: Evidence | None, rates: Float
) -> PoolTime:
    """Return the worker time of a fully recorded stretch; without evidence, the quick way."""
    workers = stretch.workers
    tasks, waits, idle_intervals = stretch.tasks, stretch.waits, stretch.idle_intervals
    parked_rows = idle_intervals.extra["parked"] == 1
    helping = waits.extra["helping"] > 0
    nested = tasks.per_worker(workers, tasks.nested) + idle_intervals.per_worker(
        workers, idle_intervals.nested
    )
    in_task = tasks.per_worker(workers) - waits.per_worker(workers)
    outer = tasks.per_worker(workers, ~tasks.nested) + idle_intervals.per_worker(
        workers, ~idle_intervals.nested
    )
    dispatch = stretch.present_ns - outer + waits.per_worker(workers, helping) - nested
    searching = idle_intervals.per_worker(workers, ~parked_rows)
    parked = idle_intervals.per_worker(workers, parked_rows)
    waking, starved = parked_split(stretch)
    if evidence is None:
        source, working, run_queue = on_core(pool, host, stretch, in_task, dispatch + searching)
        kinds = kinds_by_rates(stretch, rates, len(pool.task_kinds))
    else:
        source, working, run_queue, kinds = states_in_tasks(host, stretch, evidence, rates, in_task)
    waited = waits.per_worker(workers, ~helping)
    blocked = in_task - working - run_queue + waited
    no_work = parked - waking - starved
    by_category = (working, blocked, run_queue, dispatch, searching, waking, starved, no_work)
    states = np.array([working.sum(), run_queue.sum(), 0])
    sampled = evidence is not None
    split = in_task_split(pool, host, stretch, states, kinds, sampled=sampled)
    length = stretch.end_ns - stretch.begin_ns
    return PoolTime(np.stack(by_category), length, source, in_task=split, waited=waited)
