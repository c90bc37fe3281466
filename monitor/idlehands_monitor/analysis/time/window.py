"""What a pool's workers did, as arrays of intervals inside one stretch of time.

Pure. `Window` takes the ledger's rows and the open intervals, and finds how they nest: while a task
waits, its worker can run other tasks, search and park. Its `slice` clips them to a stretch. All
times are integer nanoseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import NONE, PARKED, SEARCHING

from ...ledger.lifetimes import inferred_idle_intervals, inside_lifetimes, lifetime_rows, present_ns
from ...ledger.queue_length import queued_at
from ...ledger.rows import (
    NEVER,
    Recent,
    Rows,
    of_workers,
    open_ends,
    still_open,
    tasks_and_departures,
    with_more,
)
from ...model.arrays import Bool, Int64
from .nesting import Nesting

if TYPE_CHECKING:
    from ...ledger import OpenInterval, PoolLedger
    from .state_rates import Evidence


@dataclass(frozen=True, slots=True)
class Intervals:
    """Intervals of one sort: shape (n,) each; `began` and `ended` are clipped to the stretch.

    `nested`: whether the interval is inside a wait of its worker. `extra`: further columns.
    """

    worker: Int64
    began: Int64
    ended: Int64
    nested: Bool
    extra: dict[str, Int64]

    @property
    def lengths(self) -> Int64:
        """The length of each interval inside the stretch, in ns."""
        return self.ended - self.began

    def per_worker(self, workers: int, chosen: Bool | None = None) -> Int64:
        """Return the summed ns per worker, shape (workers,), of all or of the chosen intervals."""
        lengths = self.lengths if chosen is None else np.where(chosen, self.lengths, 0)
        return sum_per_worker(self.worker, lengths, workers)


@dataclass(frozen=True, slots=True)
class Slice:
    """One pool inside [begin_ns, end_ns].

    tasks.extra: task, kind, spawned_ns, full_ns (length without clipping), cpu_ns.
    waits.extra: helping (1 where the worker did something else meanwhile), on_task, kind (of the
    task that waits).
    idle_intervals.extra: parked (1 or 0), waking_ns (begin of the waking at its end).
    spawned_ns, started_ns: timestamps inside the stretch, sorted. queued_at_begin: tasks.
    present_ns: how long each worker belonged to the pool in the stretch, shape (workers,).
    """

    begin_ns: int
    end_ns: int
    workers: int
    tasks: Intervals
    waits: Intervals
    idle_intervals: Intervals
    spawned_ns: Int64
    started_ns: Int64
    queued_at_begin: int
    present_ns: Int64


def sum_per_worker(worker: Int64, values: Int64, workers: int) -> Int64:
    """Return the exact integer sum of `values` per worker, shape (workers,)."""
    totals = np.zeros(workers, dtype=np.int64)
    np.add.at(totals, worker, values)
    return totals


class Window:
    """All intervals of a window, computed once; any slice of it can then be taken.

    Nesting and waking are computed on whole intervals. So the edges of a slice change neither, and
    adjacent slices add up to the window. evidence: the evidence of slices, by begin and end, cached
    for a second use.
    """

    def __init__(self, pool: PoolLedger, begin_ns: int, end_ns: int) -> None:
        self.pool = pool
        self.begin_ns = begin_ns
        waits = _waits(pool, end_ns, begin_ns)
        since = min(begin_ns, _least(waits["began"][waits["ended"] >= begin_ns]))
        tasks, cancelled = tasks_and_departures(pool, end_ns, since)
        self.started_ns = np.sort(np.concatenate([tasks["began"], cancelled]))
        if pool.shared_queue:
            lifetimes = lifetime_rows(pool, end_ns)
            tasks = inside_lifetimes(tasks, lifetimes)
            idle_intervals = inferred_idle_intervals(tasks, lifetimes)
        else:
            idle_intervals = _idle_intervals(pool, end_ns, since)
        nesting = Nesting(
            waits, min(_least(rows["began"]) for rows in (tasks, waits, idle_intervals))
        )
        for rows in (tasks, waits, idle_intervals):
            rows["nested"] = nesting.inside(rows).astype(np.int64)
        waits["helping"] = nesting.helping(tasks, idle_intervals)
        waits["kind"] = _kinds_of(waits["task"], tasks)
        if not pool.shared_queue:
            idle_intervals["waking_ns"] = waking_from(idle_intervals, tasks)
        self.tasks, self.waits, self.idle_intervals = tasks, waits, idle_intervals
        self.spawned_ns = np.sort(Recent(pool.spawns, begin_ns)["spawned_ns"])
        self.queued_at_begin = queued_at(pool, begin_ns)
        self.evidence: dict[tuple[int, int], Evidence] = {}
        self._reach: dict[int, Int64] = {}

    def ordered(self) -> Window:
        """Sort the intervals by their ends, so that a slice is found by bisection; return self."""
        for rows in (self.tasks, self.waits, self.idle_intervals):
            order = np.argsort(rows["ended"], kind="stable")
            for name in rows:
                rows[name] = rows[name][order]
            # The earliest begin from each row on: past some row all intervals begin later.
            self._reach[id(rows)] = np.minimum.accumulate(rows["began"][::-1])[::-1]
        return self

    def slice(self, begin_ns: int, end_ns: int) -> Slice:
        """Return the slice between two timestamps."""
        spawned, began = (self._edges(times, begin_ns) for times in self._timestamps)
        last_spawned, last_began = (self._edges(times, end_ns) for times in self._timestamps)
        first = [self._edges(times, self.begin_ns) for times in self._timestamps]
        queued = self.queued_at_begin + (spawned - first[0]) - (began - first[1])
        return Slice(
            begin_ns,
            end_ns,
            self.pool.workers,
            tasks=self._clip(self.tasks, begin_ns, end_ns),
            waits=self._clip(self.waits, begin_ns, end_ns),
            idle_intervals=self._clip(self.idle_intervals, begin_ns, end_ns),
            spawned_ns=self.spawned_ns[spawned:last_spawned],
            started_ns=self.started_ns[began:last_began],
            queued_at_begin=max(0, queued),
            present_ns=present_ns(self.pool, begin_ns, end_ns),
        )

    @property
    def _timestamps(self) -> tuple[Int64, Int64]:
        return self.spawned_ns, self.started_ns

    @staticmethod
    def _edges(times: Int64, timestamp_ns: int) -> int:
        return int(np.searchsorted(times, timestamp_ns, side="left"))

    def _clip(self, rows: Rows, begin_ns: int, end_ns: int) -> Intervals:
        reach = self._reach.get(id(rows))
        if reach is not None:
            low = int(np.searchsorted(rows["ended"], begin_ns, side="right"))
            high = int(np.searchsorted(reach, end_ns, side="left"))
            rows = {name: column[low:high] for name, column in rows.items()}
        return _clip(rows, begin_ns, end_ns)


def _least(times: Int64) -> int:
    return int(times.min()) if len(times) else NEVER


def _waits(pool: PoolLedger, end_ns: int, since_ns: int) -> Rows:
    store = Recent(pool.waits, since_ns)
    workers, still = still_open(pool, pool.waits, "began_ns", ("wait",))
    inside = [_task_around(pool, worker, wait) for worker, wait in zip(workers, still, strict=True)]
    rows = {
        "worker": with_more(store["worker"], workers),
        "began": with_more(store["began_ns"], [i.began_ns for i in still]),
        "ended": with_more(store["ended_ns"], open_ends(pool, end_ns, still)),
        "task": with_more(store["task"], inside),
        "on_task": with_more(store["on_task"], [i.on_task for i in still]),
    }
    return of_workers(rows, pool.workers)


def _task_around(pool: PoolLedger, worker: int, wait: OpenInterval) -> int:
    """Return the task of an open wait: intervals are ordered from the outermost in."""
    outer = [i for i in pool.open[worker] if i.what == "task" and i.began_ns <= wait.began_ns]
    return outer[-1].task if outer else NONE


def _kinds_of(numbers: Int64, tasks: Rows) -> Int64:
    """Return the kind of each task by its number, -1 where it is not among `tasks`."""
    if not len(numbers) or not len(tasks["task"]):
        return np.full(len(numbers), NONE, dtype=np.int64)
    order = np.argsort(tasks["task"], kind="stable")
    place = np.minimum(np.searchsorted(tasks["task"], numbers, sorter=order), len(order) - 1)
    found = order[place]
    return np.where(tasks["task"][found] == numbers, tasks["kind"][found], NONE)


def _idle_intervals(pool: PoolLedger, end_ns: int, since_ns: int) -> Rows:
    store = Recent(pool.idle_intervals, since_ns)
    workers, still = still_open(pool, pool.idle_intervals, "began_ns", ("searching", "parked"))
    states = [PARKED if interval.what == "parked" else SEARCHING for interval in still]
    rows = {
        "worker": with_more(store["worker"], workers),
        "began": with_more(store["began_ns"], [i.began_ns for i in still]),
        "ended": with_more(store["ended_ns"], open_ends(pool, end_ns, still)),
        "parked": (with_more(store["state"], states) == PARKED).astype(np.int64),
        "woken_ns": with_more(store["woken_ns"], [NONE] * len(still)),
        # An open idle interval has not led to a task yet, whatever the tables hold.
        "closed_ns": with_more(store["ended_ns"], [NEVER] * len(still)),
    }
    return of_workers(rows, pool.workers)


def _clip(rows: Rows, begin_ns: int, end_ns: int) -> Intervals:
    inside = (rows["ended"] > begin_ns) & (rows["began"] < end_ns)
    # There may be millions: do not copy them if all are inside.
    chosen = rows.copy() if inside.all() else {name: rows[name][inside] for name in rows}
    return Intervals(
        chosen.pop("worker"),
        np.maximum(chosen.pop("began"), begin_ns),
        np.minimum(chosen.pop("ended"), end_ns),
        chosen.pop("nested") > 0,
        chosen,
    )


def waking_from(idle_intervals: Rows, tasks: Rows) -> Int64:
    """Return when the waking of each idle interval began: its end if it has no waking.

    An interval has a waking if it is parked and leads to a task, which must start before the worker
    parks again. Waking begins once that task was spawned and, where known, the wake was sent.
    """
    wakes = idle_intervals["ended"].copy()
    parks = np.flatnonzero(idle_intervals["parked"] == 1)
    if not len(parks) or not len(tasks["began"]):
        return wakes
    base = min(int(idle_intervals["began"].min()), int(tasks["began"].min()))
    span = int(max(idle_intervals["ended"].max(), tasks["ended"].max())) - base + 2

    def keys(worker: Int64, timestamps: Int64) -> Int64:
        return worker * span + np.minimum(timestamps - base, span - 1)

    worker, closed = idle_intervals["worker"][parks], idle_intervals["closed_ns"][parks]
    end_of_worker = (worker + 1) * span  # no key of this worker is as large
    closing = keys(worker, closed)
    starts, order = _sorted(keys(tasks["worker"], tasks["began"]))
    begins, _ = _sorted(keys(worker, idle_intervals["began"][parks]))
    following = np.searchsorted(starts, closing, side="left")
    next_start = np.append(starts, NEVER)[following]
    next_park = np.append(begins, NEVER)[np.searchsorted(begins, closing, side="left")]
    has_task = (next_start < end_of_worker) & (next_start <= next_park) & (closed != NEVER)
    chosen, task = parks[has_task], order[following[has_task]]
    begins_ns = np.maximum(tasks["spawned_ns"][task], idle_intervals["woken_ns"][chosen])
    wakes[chosen] = np.clip(
        begins_ns, idle_intervals["began"][chosen], idle_intervals["ended"][chosen]
    )
    return wakes


def _sorted(keys: Int64) -> tuple[Int64, Int64]:
    order = np.argsort(keys, kind="stable")
    return keys[order], order
