"""What the time in tasks was: by kind of task, and what blocked time waited for.

A wait that the task recorded says itself what it was: a join, or something else. The rest of the
blocked time is split by looks: each time the host's counters are read, each worker's thread is
looked at, and if it is inside a task, in no recorded wait and off the core, the system call that
it sleeps in says what for. Shares of looks are shares of time; their intervals are Wilson's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.vocabulary import WaitReason
from ...model.worker_time import InTask
from ..stats.rounding import shared_out
from .state_rates import ON, QUEUED
from .thread_states import sightings

if TYPE_CHECKING:
    from ...ledger import HostCounters, PoolLedger
    from ...model.arrays import Float, Int64
    from .window import Intervals, Slice


def in_task(
    pool: PoolLedger, host: HostCounters, stretch: Slice, states: Int64, kinds: Float
) -> InTask:
    """Return what the time in tasks of a stretch was.

    `states`: nanoseconds on a core, in a run queue and off the core in tasks, shape (3,), less
    recorded waits. `kinds`: about how they are spread over kinds, shape (kinds + 1, 3), the last of
    kinds that are not known.
    """
    waits, helping = stretch.waits, stretch.waits.extra["helping"] > 0
    joins = waits.extra["on_task"] >= 0
    number = len(pool.task_kinds) + 1
    inside = np.zeros(number, dtype=np.int64)
    np.add.at(inside, _kind(stretch.tasks, number), stretch.tasks.lengths)
    np.subtract.at(inside, _kind(waits, number), waits.lengths)
    total = np.maximum(inside, 0)  # a wait may name a task that nothing is known of
    on = shared_out(kinds[:, ON], int(states[ON]), total)
    queued = shared_out(kinds[:, QUEUED], int(states[QUEUED]), total - on)
    idle = np.zeros(number, dtype=np.int64)
    np.add.at(idle, _kind(waits, number)[~helping], waits.lengths[~helping])
    return InTask(
        np.stack((on, total - on - queued + idle, queued)),
        _samples(pool, host, stretch),
        int(waits.lengths[~helping & joins].sum()),
        int(waits.lengths[~helping & ~joins].sum()),
    )


def _kind(rows: Intervals, kinds: int) -> Int64:
    kind = rows.extra["kind"]
    return np.where((kind >= 0) & (kind < kinds - 1), kind, kinds - 1)


def _samples(pool: PoolLedger, host: HostCounters, stretch: Slice) -> Int64:
    """Return how often workers blocked in a task were seen in each sort of wait."""
    seen = sightings(pool, host, stretch)
    codes = seen.code[seen.in_task & (seen.code >= 0)]
    return np.bincount(codes, minlength=len(WaitReason)).astype(np.int64)
