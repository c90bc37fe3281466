"""What a pool's workers were in, as arrays of intervals inside one stretch of time.

`cut` takes the ledger's rows and the intervals still open, clips them to the stretch, and finds
out how they nest: a task can wait, and while it waits its worker can run other tasks, search
and park. Everything is in integer nanoseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from idlehands.wire import CANCELLED, NONE, PARKED, SEARCHING

if TYPE_CHECKING:
    from ..ledger import OpenInterval, PoolLedger, TableStore

Int64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Intervals:
    """Intervals of one sort: shape (n,) each; `began` and `ended` are clipped to the stretch.

    `nested` says which lie inside a wait of the same worker. `extra` holds further columns.
    """

    worker: Int64
    began: Int64
    ended: Int64
    nested: Bool
    extra: dict[str, Int64]

    @property
    def lengths(self) -> Int64:
        """Nanoseconds of each inside the stretch."""
        return self.ended - self.began

    def per_worker(self, workers: int, chosen: Bool | None = None) -> Int64:
        """Return the summed length per worker, shape (workers,), of all or the chosen ones."""
        lengths = self.lengths if chosen is None else np.where(chosen, self.lengths, 0)
        return sum_per_worker(self.worker, lengths, workers)


@dataclass(frozen=True, slots=True)
class Cut:
    """One pool inside [begin_ns, end_ns].

    tasks.extra: task, spawned_ns, started_ns, full_ns (its length outside the stretch too),
    cpu_ns. waits.extra: helping (1 where the worker did something else meanwhile).
    gaps.extra: parked (1 or 0), woken_ns, full_ended_ns.
    spawned_ns, started_ns: moments inside the stretch, sorted; queued_at_begin: tasks.
    """

    begin_ns: int
    end_ns: int
    workers: int
    tasks: Intervals
    waits: Intervals
    gaps: Intervals
    spawned_ns: Int64
    started_ns: Int64
    queued_at_begin: int


def sum_per_worker(worker: Int64, values: Int64, workers: int) -> Int64:
    """Return the exact integer sum of `values` per worker, shape (workers,)."""
    totals = np.zeros(workers, dtype=np.int64)
    np.add.at(totals, worker, values)
    return totals


def cut(pool: PoolLedger, begin_ns: int, end_ns: int) -> Cut:
    """Return what `pool` was in between two moments."""
    tasks, cancelled = _tasks(pool, end_ns)
    waits = _waits(pool, end_ns)
    gaps = _gaps(pool, end_ns)
    inside = [_clip(table, begin_ns, end_ns) for table in (tasks, waits, gaps)]
    task_rows, wait_rows, gap_rows = (_valid(rows, pool.workers) for rows in inside)
    base = begin_ns
    nesting = _Nesting(wait_rows, base)
    task_starts = nesting.keys(task_rows["worker"], task_rows["began"])
    gap_starts = nesting.keys(gap_rows["worker"], gap_rows["began"])
    wait_rows["helping"] = nesting.count_inside(np.sort(np.concatenate([task_starts, gap_starts])))
    started = np.concatenate([tasks["started_ns"], cancelled])
    spawned = pool.spawns["spawned_ns"]
    late_spawns = np.sort(spawned[(spawned >= begin_ns) & (spawned < end_ns)])
    late_starts = np.sort(started[(started >= begin_ns) & (started < end_ns)])
    queued = queued_at(pool, begin_ns)
    return Cut(
        begin_ns,
        end_ns,
        pool.workers,
        _intervals(task_rows, nesting.inside(task_rows)),
        _intervals(wait_rows, nesting.inside(wait_rows)),
        _intervals(gap_rows, nesting.inside(gap_rows)),
        late_spawns,
        late_starts,
        queued,
    )


Rows = dict[str, Int64]


def _tasks(pool: PoolLedger, end_ns: int) -> tuple[Rows, Int64]:
    """Return the tasks run, open ones included, and the moments of the tasks cancelled."""
    store = pool.tasks
    ran = store["outcome"] != CANCELLED
    workers, still = _still_open(pool, store, "started_ns", ("task",))
    rows = {
        "worker": _with(store["worker"][ran], workers),
        "began": _with(store["started_ns"][ran], [i.began_ns for i in still]),
        "ended": _with(store["ended_ns"][ran], _open_ends(pool, end_ns, still)),
        "task": _with(store["task"][ran], [i.task for i in still]),
        "spawned_ns": _with(store["spawned_ns"][ran], [i.spawned_ns for i in still]),
        "cpu_ns": _with(store["cpu_ns"][ran], [NONE] * len(still)),
    }
    rows["started_ns"] = rows["began"]
    rows["full_ns"] = rows["ended"] - rows["began"]
    return rows, store["started_ns"][~ran]


def _waits(pool: PoolLedger, end_ns: int) -> Rows:
    store = pool.waits
    workers, still = _still_open(pool, store, "began_ns", ("wait",))
    return {
        "worker": _with(store["worker"], workers),
        "began": _with(store["began_ns"], [i.began_ns for i in still]),
        "ended": _with(store["ended_ns"], _open_ends(pool, end_ns, still)),
    }


def _gaps(pool: PoolLedger, end_ns: int) -> Rows:
    store = pool.gaps
    workers, still = _still_open(pool, store, "began_ns", ("searching", "parked"))
    states = [PARKED if interval.what == "parked" else SEARCHING for interval in still]
    return {
        "worker": _with(store["worker"], workers),
        "began": _with(store["began_ns"], [i.began_ns for i in still]),
        "ended": _with(store["ended_ns"], _open_ends(pool, end_ns, still)),
        "parked": (_with(store["state"], states) == PARKED).astype(np.int64),
        "woken_ns": _with(store["woken_ns"], [NONE] * len(still)),
        # An open gap has not led to a task yet, whatever is found in the tables.
        "full_ended_ns": _with(store["ended_ns"], [np.iinfo(np.int64).max] * len(still)),
    }


def _still_open(
    pool: PoolLedger, store: TableStore, start: str, sorts: tuple[str, ...]
) -> tuple[list[int], list[OpenInterval]]:
    """Return (workers, intervals) open at the last levels, without those that a row has closed.

    What ended while the levels were being read is in both; its row ends after their moment.
    """
    late = store["ended_ns"] >= pool.complete_ns
    closed = set(zip(store["worker"][late].tolist(), store[start][late].tolist(), strict=True))
    found = [
        (worker, interval)
        for worker, intervals in enumerate(pool.open)
        for interval in intervals
        if interval.what in sorts and (worker, interval.began_ns) not in closed
    ]
    return [worker for worker, _ in found], [interval for _, interval in found]


def _open_ends(pool: PoolLedger, end_ns: int, still: list[OpenInterval]) -> list[int]:
    return [max(pool.complete_ns, end_ns, i.began_ns) for i in still]


def _with(column: Int64, more: list[int]) -> Int64:
    return np.concatenate([column, np.array(more, dtype=np.int64)])


def _clip(rows: Rows, begin_ns: int, end_ns: int) -> Rows:
    inside = (rows["ended"] > begin_ns) & (rows["began"] < end_ns)
    clipped = {name: column[inside] for name, column in rows.items()}
    clipped["began"] = np.maximum(clipped["began"], begin_ns)
    clipped["ended"] = np.minimum(clipped["ended"], end_ns)
    return clipped


def _valid(rows: Rows, workers: int) -> Rows:
    """Leave out rows of workers that the pool does not have (a damaged or hostile stream)."""
    known = (rows["worker"] >= 0) & (rows["worker"] < workers)
    return rows if known.all() else {name: column[known] for name, column in rows.items()}


def _intervals(rows: Rows, nested: Bool) -> Intervals:
    extra = {k: v for k, v in rows.items() if k not in ("worker", "began", "ended")}
    return Intervals(rows["worker"], rows["began"], rows["ended"], nested, extra)


class _Nesting:
    """Which intervals lie inside a wait of their worker: one sorted search over all workers.

    Worker and moment are folded into one key, worker · span + moment, so that a single
    searchsorted serves them all.
    """

    def __init__(self, waits: Rows, base_ns: int) -> None:
        self._base = base_ns
        last = int(waits["ended"].max()) if len(waits["ended"]) else base_ns
        self._span = max(1, last - base_ns) + 2
        self._worker = waits["worker"]
        self._began = self.keys(waits["worker"], waits["began"])
        self._ended = self.keys(waits["worker"], waits["ended"])
        order = np.argsort(self._began, kind="stable")
        self._sorted_began = self._began[order]
        # Keys of an earlier worker are smaller, so one running maximum serves all workers.
        self._reach = np.maximum.accumulate(self._ended[order]) if len(order) else self._ended

    def keys(self, worker: Int64, moment: Int64) -> Int64:
        """Fold worker and moment into one ordered number."""
        offset = np.minimum(moment - self._base, self._span - 1)
        return worker * self._span + offset

    def inside(self, rows: Rows) -> Bool:
        """Say which of `rows` lie inside a wait (strictly: a wait is not inside itself)."""
        began = self.keys(rows["worker"], rows["began"])
        ended = self.keys(rows["worker"], rows["ended"])
        if not len(self._sorted_began):
            return np.zeros(len(began), dtype=np.bool_)
        place = np.searchsorted(self._sorted_began, began, side="left")
        reach = np.where(place > 0, self._reach[np.maximum(place - 1, 0)], -1)
        return np.asarray((place > 0) & (reach >= ended), dtype=np.bool_)

    def count_inside(self, starts: Int64) -> Int64:
        """Return per wait how many of the sorted `starts` lie inside it."""
        low = np.searchsorted(starts, self._began, side="left")
        high = np.searchsorted(starts, self._ended, side="left")
        return np.asarray(high - low, dtype=np.int64)


def queued_at(pool: PoolLedger, moment_ns: int) -> int:
    """Return how many tasks were queued at a moment: spawned before it, not started before it.

    Counted back from the running totals, so that it is exact however little of the past the
    tables hold.
    """
    spawned = pool.spawns["spawned_ns"]
    spawned_before = pool.written("spawns") - int(np.count_nonzero(spawned >= moment_ns))
    _workers, still = _still_open(pool, pool.tasks, "started_ns", ("task",))
    started_since = int(np.count_nonzero(pool.tasks["started_ns"] >= moment_ns))
    started_since += sum(interval.began_ns >= moment_ns for interval in still)
    started_before = pool.written("tasks") + len(still) - started_since
    return max(0, spawned_before - started_before)
