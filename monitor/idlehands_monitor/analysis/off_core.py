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

from ..ledger.waits import RUNNING, WAIT_SORTS
from .parked import round_to_total
from .stays import seats

if TYPE_CHECKING:
    from ..ledger import HostCounters, PoolLedger
    from .intervals import Cut, Intervals
    from .rows import Bool, Float, Int64

_CODES = {RUNNING: -1, **{sort: place for place, sort in enumerate(WAIT_SORTS)}}


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
    pool: PoolLedger, host: HostCounters, stretch: Cut, working: Int64, run_queue: Int64
) -> InTask:
    """Return what the time in tasks of a stretch was.

    `working`, `run_queue`: nanoseconds per worker of the whole stretch, shape (workers,).
    """
    waits, helping = stretch.waits, stretch.waits.extra["helping"] > 0
    joins = waits.extra["on_task"] >= 0
    return InTask(
        _by_kind(pool, stretch, working, run_queue),
        _looks(pool, host, stretch),
        int(waits.lengths[~helping & joins].sum()),
        int(waits.lengths[~helping & ~joins].sum()),
    )


def _by_kind(pool: PoolLedger, stretch: Cut, working: Int64, run_queue: Int64) -> Int64:
    """Return (working, blocked, run-queue) ns per kind, which add up to the pool's exactly."""
    kinds = len(pool.task_kinds) + 1
    tasks, waits = stretch.tasks, stretch.waits
    helping = waits.extra["helping"] > 0
    inside = _per_worker_and_kind(tasks, kinds, stretch.workers)
    inside -= _per_worker_and_kind(waits, kinds, stretch.workers)
    read = tasks.extra["cpu_ns"] >= 0
    part = np.where(read, tasks.extra["cpu_ns"], 0) * (
        tasks.lengths / np.maximum(tasks.extra["full_ns"], 1)
    )
    known = np.zeros(inside.shape)
    np.add.at(known, (tasks.worker, _kind(tasks, kinds)), part)
    unread = np.maximum(inside - _per_worker_and_kind(tasks, kinds, stretch.workers, read), 0)
    rest = np.maximum(working - known.sum(axis=1), 0)
    weights = known + unread * (rest / np.maximum(unread.sum(axis=1), 1))[:, None]
    total = np.maximum(inside.sum(axis=0), 0)  # a wait may name a task that nothing is known of
    on = _shared_out(weights.sum(axis=0), int(working.sum()), total)
    share = run_queue / np.maximum(inside.sum(axis=1), 1)
    queued = _shared_out((inside * share[:, None]).sum(axis=0), int(run_queue.sum()), total - on)
    idle = np.zeros(kinds, dtype=np.int64)
    np.add.at(idle, _kind(waits, kinds)[~helping], waits.lengths[~helping])
    return np.stack((on, total - on - queued + idle, queued))


def _kind(rows: Intervals, kinds: int) -> Int64:
    kind = rows.extra["kind"]
    return np.where((kind >= 0) & (kind < kinds - 1), kind, kinds - 1)


def _per_worker_and_kind(
    rows: Intervals, kinds: int, workers: int, chosen: Bool | None = None
) -> Int64:
    """Return summed lengths, shape (workers, kinds), exact."""
    lengths = rows.lengths if chosen is None else np.where(chosen, rows.lengths, 0)
    table = np.zeros((workers, kinds), dtype=np.int64)
    np.add.at(table, (rows.worker, _kind(rows, kinds)), lengths)
    return table


def _shared_out(weights: Float, total: int, most: Int64) -> Int64:
    """Share `total` out by `weights`, none over its `most`."""
    shares = np.asarray(weights * (total / max(1.0, float(weights.sum()))), dtype=np.float64)
    return round_to_total(shares, total, most)


def _looks(pool: PoolLedger, host: HostCounters, stretch: Cut) -> Int64:
    """Return how often workers blocked in a task were seen in each sort of wait."""
    counts = np.zeros(len(WAIT_SORTS), dtype=np.int64)
    looks = host.waits.between(stretch.begin_ns, stretch.end_ns)
    held = seats(pool, stretch.begin_ns, stretch.end_ns)
    if not looks or not held:
        return counts
    workers, threads, *times = zip(*held, strict=True)
    began, ended = np.array(times)
    places, moments, sorts = [], [], []
    for at_ns, seen in looks:
        codes = np.array([_CODES[seen.get(thread, RUNNING)] for thread in threads])
        here = np.flatnonzero((codes >= 0) & (began <= at_ns) & (at_ns < ended))
        places.append(here)
        moments.append(np.full(len(here), at_ns))
        sorts.append(codes[here])
    worker, moment = np.array(workers)[np.concatenate(places)], np.concatenate(moments)
    inside = _open_at(stretch.tasks, worker, moment) > _open_at(stretch.waits, worker, moment)
    np.add.at(counts, np.concatenate(sorts)[inside], 1)
    return counts


def _open_at(rows: Intervals, worker: Int64, moment: Int64) -> Int64:
    """Return how many intervals of its worker each moment lies in."""
    if not len(rows.worker) or not len(worker):
        return np.zeros(len(worker), dtype=np.int64)
    base = min(int(rows.began.min()), int(moment.min()))
    span = max(int(rows.ended.max()), int(moment.max())) - base + 1
    key = worker * span + (moment - base)
    begun = np.sort(rows.worker * span + (rows.began - base))
    over = np.sort(rows.worker * span + (rows.ended - base))
    # Every earlier worker's intervals are in both counts, so the difference is this worker's.
    return np.searchsorted(begun, key, side="right") - np.searchsorted(over, key, side="right")
