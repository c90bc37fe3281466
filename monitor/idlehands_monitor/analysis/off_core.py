"""What the time in tasks was: by kind of task, and what blocked time waited for.

A wait that the task recorded says itself what it was: a join, or something else. The rest of the
blocked time is split by looks: each time the host's counters are read, each worker's thread is
looked at, and if it is inside a task, in no recorded wait and off the core, the system call that
it sleeps in says what for. Shares of looks are shares of time; their intervals are Wilson's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..ledger.waits import WAIT_SORTS
from .parked import round_to_total
from .state_rates import ON, QUEUED
from .thread_states import sights

if TYPE_CHECKING:
    from ..ledger import HostCounters, PoolLedger
    from .intervals import Cut, Intervals
    from .rows import Float, Int64


@dataclass(frozen=True, eq=False)
class InTask:
    """What the time in tasks of a window was, additive over windows side by side.

    by_kind: nanoseconds working, blocked and waiting in the run queue, shape (3, kinds + 1): the
    last column is of kinds that are not known. looks: how often a worker that was blocked was
    seen in each of `WAIT_SORTS`, shape (6,). joined_ns, marked_ns: in recorded waits in which the
    worker did nothing else, on another task or on anything else.
    """

    by_kind: Int64
    looks: Int64
    joined_ns: int = 0
    marked_ns: int = 0

    def __add__(self, other: InTask) -> InTask:
        few, many = sorted((self.by_kind, other.by_kind), key=lambda table: table.shape[1])
        by_kind = many.copy()
        by_kind[:, : few.shape[1] - 1] += few[:, :-1]
        by_kind[:, -1] += few[:, -1]
        return InTask(
            by_kind,
            self.looks + other.looks,
            self.joined_ns + other.joined_ns,
            self.marked_ns + other.marked_ns,
        )

    def split_as(self, known: InTask, working: int, run_queue: int) -> InTask:
        """Return this with so much working and run-queue wait, by kinds as in `known`."""
        total = self.by_kind.sum(axis=0)
        shares = np.zeros((3, len(total)))
        columns = min(known.by_kind.shape[1], len(total)) - 1
        shares[:, :columns] = known.by_kind[:, :columns]
        shares[:, -1] = known.by_kind[:, -1]
        seen = shares.sum(axis=0)
        pooled = known.by_kind.sum(axis=1) / max(1, int(known.by_kind.sum()))
        shares = np.where(seen > 0, shares / np.maximum(seen, 1), pooled[:, None])
        on = _shared_out(total * shares[0], working, total)
        queued = _shared_out(total * shares[2], run_queue, total - on)
        return replace(self, by_kind=np.stack((on, total - on - queued, queued)))


def nothing_in_task() -> InTask:
    """Return what an empty window has."""
    return InTask(np.zeros((3, 1), dtype=np.int64), np.zeros(len(WAIT_SORTS), dtype=np.int64))


def in_task(
    pool: PoolLedger, host: HostCounters, stretch: Cut, states: Int64, kinds: Float
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
    on = _shared_out(kinds[:, ON], int(states[ON]), total)
    queued = _shared_out(kinds[:, QUEUED], int(states[QUEUED]), total - on)
    idle = np.zeros(number, dtype=np.int64)
    np.add.at(idle, _kind(waits, number)[~helping], waits.lengths[~helping])
    return InTask(
        np.stack((on, total - on - queued + idle, queued)),
        _looks(pool, host, stretch),
        int(waits.lengths[~helping & joins].sum()),
        int(waits.lengths[~helping & ~joins].sum()),
    )


def _kind(rows: Intervals, kinds: int) -> Int64:
    kind = rows.extra["kind"]
    return np.where((kind >= 0) & (kind < kinds - 1), kind, kinds - 1)


def _shared_out(weights: Float, total: int, most: Int64) -> Int64:
    """Share `total` out by `weights`, none over its `most`."""
    shares = np.asarray(weights * (total / max(1.0, float(weights.sum()))), dtype=np.float64)
    return round_to_total(shares, total, most)


def _looks(pool: PoolLedger, host: HostCounters, stretch: Cut) -> Int64:
    """Return how often workers blocked in a task were seen in each sort of wait."""
    seen = sights(pool, host, stretch)
    codes = seen.code[seen.in_task & (seen.code >= 0)]
    return np.bincount(codes, minlength=len(WAIT_SORTS)).astype(np.int64)
