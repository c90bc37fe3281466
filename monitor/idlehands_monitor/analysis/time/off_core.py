"""Divides the time in tasks by kind of task and state, and counts what blocked workers waited for.

Pure. Of a recorded wait it is known whether it was a join or a declared wait. The rest of the
blocked time is split by samples: whenever the host's counters are read, each worker's thread is
sampled. If it is inside a task, in no recorded wait and off the core, the system call in which it
sleeps gives the reason. Shares of samples are shares of time; their intervals are Wilson's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.vocabulary import WaitReason
from ...model.worker_time import InTask
from ..stats.rounding import shared_out
from .state_rates import ON, QUEUED
from .thread_samples import state_samples, task_at

if TYPE_CHECKING:
    from ...ledger import HostCounters, PoolLedger
    from ...model.arrays import Float, Int64
    from .window import Intervals, Slice


def in_task(
    pool: PoolLedger,
    host: HostCounters,
    stretch: Slice,
    states: Int64,
    kinds: Float,
    *,
    sampled: bool = True,
) -> InTask:
    """Return the time in tasks of a stretch, divided.

    `states`: nanoseconds on a core, in a run queue and off the core in tasks, shape (3,), without
    recorded waits. `kinds`: an estimate of how they spread over kinds, shape (kinds + 1, 3); the
    last row is for unknown kinds. `sampled`: count the samples of the stretch too.
    """
    waits, helping = stretch.waits, stretch.waits.extra["helping"] > 0
    joins = waits.extra["on_task"] >= 0
    number = len(pool.task_kinds) + 1
    inside = np.zeros(number, dtype=np.int64)
    np.add.at(inside, _kind(stretch.tasks, number), stretch.tasks.lengths)
    np.subtract.at(inside, _kind(waits, number), waits.lengths)
    total = np.maximum(inside, 0)  # the task of a wait may be unknown
    on = shared_out(kinds[:, ON], int(states[ON]), total)
    queued = shared_out(kinds[:, QUEUED], int(states[QUEUED]), total - on)
    idle = np.zeros(number, dtype=np.int64)
    np.add.at(idle, _kind(waits, number)[~helping], waits.lengths[~helping])
    return InTask(
        np.stack((on, total - on - queued + idle, queued)),
        _samples(pool, host, stretch, number) if sampled else no_samples(number),
        int(waits.lengths[~helping & joins].sum()),
        int(waits.lengths[~helping & ~joins].sum()),
    )


def no_samples(kinds: int) -> Int64:
    """Return the counts of no samples, by sort of wait and kind of task."""
    return np.zeros((len(WaitReason), kinds), dtype=np.int64)


def _kind(rows: Intervals, kinds: int) -> Int64:
    kind = rows.extra["kind"]
    return np.where((kind >= 0) & (kind < kinds - 1), kind, kinds - 1)


def _samples(pool: PoolLedger, host: HostCounters, stretch: Slice, kinds: int) -> Int64:
    """Return in how many samples a worker blocked in a task was in each sort of wait, by kind."""
    samples = state_samples(pool, host, stretch)
    blocked = samples.in_task & (samples.code >= 0)
    place = task_at(stretch.tasks, samples.worker[blocked], samples.timestamp_ns[blocked])
    kind = np.append(_kind(stretch.tasks, kinds), kinds - 1)[place]  # the last for unknown tasks
    counts = no_samples(kinds)
    np.add.at(counts, (samples.code[blocked], kind), 1)
    return counts
