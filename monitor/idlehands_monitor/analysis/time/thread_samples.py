"""Samples of what workers' threads waited for, and whether they were in a task then. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ...ledger.lifetimes import slots
from ...model.arrays import Bool, Int64

if TYPE_CHECKING:
    from ...ledger import HostCounters, PoolLedger
    from .window import Intervals, Slice


class StateSamples(NamedTuple):
    """Samples of workers' threads, shape (n,) each.

    code: place of the reason in `WaitReason`, -1 for able to run. in_task: whether the worker was
    in a task and in no recorded wait.
    """

    worker: Int64
    timestamp_ns: Int64
    code: Int64
    in_task: Bool


def state_samples(pool: PoolLedger, host: HostCounters, stretch: Slice) -> StateSamples:
    """Return the samples of the threads of a pool's workers in a stretch."""
    taken = slots(pool, stretch.begin_ns, stretch.end_ns)
    counts, timestamp_ns, code = host.waits.of_each(
        (slot.native_id, slot.began_ns, slot.ended_ns) for slot in taken
    )
    worker = np.repeat(np.array([slot.worker for slot in taken], dtype=np.int64), counts)
    tasks, waits = (_open_at(rows, worker, timestamp_ns) for rows in (stretch.tasks, stretch.waits))
    return StateSamples(worker, timestamp_ns, code, tasks > waits)


def _open_at(rows: Intervals, worker: Int64, timestamps: Int64) -> Int64:
    """Return how many intervals of its worker are open at each timestamp."""
    if not len(rows.worker) or not len(worker):
        return np.zeros(len(worker), dtype=np.int64)
    base = min(int(rows.began.min()), int(timestamps.min()))
    span = max(int(rows.ended.max()), int(timestamps.max())) - base + 1
    key = worker * span + (timestamps - base)
    begun = np.sort(rows.worker * span + (rows.began - base), kind="stable")
    over = np.sort(rows.worker * span + (rows.ended - base), kind="stable")
    # Every earlier worker's intervals are in both counts, so the difference is this worker's.
    return np.searchsorted(begun, key, side="right") - np.searchsorted(over, key, side="right")


def task_at(tasks: Intervals, worker: Int64, timestamps: Int64) -> Int64:
    """Return the place of the task that a worker began last, -1 where it has ended by then.

    In that case a task around it may still be open; this does not find it.
    """
    if not len(tasks.worker) or not len(worker):
        return np.full(len(worker), -1, dtype=np.int64)
    base = min(int(tasks.began.min()), int(timestamps.min()))
    span = max(int(tasks.began.max()), int(timestamps.max())) - base + 1
    keys = tasks.worker * span + tasks.began - base
    order = np.argsort(keys, kind="stable")  # fast for rows that are already in order
    keys = keys[order]
    found = np.searchsorted(keys, worker * span + timestamps - base, side="right") - 1
    place = order[np.maximum(found, 0)]
    open_then = (found >= 0) & (tasks.worker[place] == worker) & (timestamps < tasks.ended[place])
    return np.where(open_then, place, -1)
