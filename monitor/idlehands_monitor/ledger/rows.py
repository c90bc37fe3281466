"""Rows of the ledger as plain arrays: intervals that have ended, and open ones. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import CANCELLED, LOST, MOVED, NONE

from ..model.arrays import Bool, Int64

if TYPE_CHECKING:
    from .open_intervals import OpenInterval
    from .pool import PoolLedger
    from .store import TableStore

NEVER = int(np.iinfo(np.int64).max)

Rows = dict[str, Int64]
"""Columns by name, all of one length; times in nanoseconds."""


def never_ran(outcome: Int64) -> Bool:
    """Return which tasks left their pool's queue without running: cancelled, or moved."""
    return np.asarray((outcome == CANCELLED) | (outcome == MOVED), dtype=np.bool_)


def ran_to_end(outcome: Int64) -> Bool:
    """Return which tasks ran to their end in their pool, returning or raising."""
    return np.asarray(~never_ran(outcome) & (outcome != LOST), dtype=np.bool_)


class Recent:
    """The rows of a table from a time on; a few earlier rows may be among them.

    ``recent["began_ns"]`` is a column, shape (rows,). With `and_last` each worker's last row
    before them comes first.
    """

    def __init__(self, store: TableStore, since_ns: int, *, and_last: bool = False) -> None:
        self._store = store
        self._first = store.since(since_ns)
        self._before = store.last_before(self._first) if and_last else np.empty(0, dtype=np.int64)

    def __getitem__(self, name: str) -> Int64:
        column = self._store[name]
        rest = column[self._first :]
        return np.concatenate([column[self._before], rest]) if len(self._before) else rest


def last_rows(store: TableStore, begin_ns: int, most: int) -> int:
    """Return the time, `begin_ns` or later, from which on at most `most` rows end."""
    ended = Recent(store, begin_ns)["ended_ns"]
    ended = ended[ended > begin_ns]
    return begin_ns if len(ended) <= most else int(np.partition(ended, -most)[-most])


def still_open(
    pool: PoolLedger, store: TableStore, start: str, sorts: tuple[str, ...]
) -> tuple[list[int], list[OpenInterval]]:
    """Return (workers, intervals) open at the last levels frame, without those that a row closed.

    An interval that ended while the levels were read is in the frame and has a row, too.
    """
    recent = Recent(store, pool.complete_ns)
    late = recent["ended_ns"] >= pool.complete_ns
    closed = set(zip(recent["worker"][late].tolist(), recent[start][late].tolist(), strict=True))
    found = [
        (worker, interval)
        for worker, intervals in enumerate(pool.open)
        for interval in intervals
        if interval.what in sorts and (worker, interval.began_ns) not in closed
    ]
    return [worker for worker, _ in found], [interval for _, interval in found]


def open_ends(pool: PoolLedger, end_ns: int, still: list[OpenInterval]) -> list[int]:
    """Return an end for each open interval: the last known time, or the end of its thread."""
    return [
        max(i.began_ns, *((i.until_ns,) if i.until_ns >= 0 else (pool.complete_ns, end_ns)))
        for i in still
    ]


def with_more(column: Int64, more: list[int]) -> Int64:
    """Return a column with more values at its end."""
    return np.concatenate([column, np.array(more, dtype=np.int64)])


def of_workers(rows: Rows, workers: int) -> Rows:
    """Leave out rows of workers that the pool does not have (a damaged or hostile stream)."""
    known = (rows["worker"] >= 0) & (rows["worker"] < workers)
    return rows if known.all() else {name: column[known] for name, column in rows.items()}


MOST_ROWS, MOST_LIVE_ROWS = 400_000, 10_000
"""The latest tasks that an analysis uses, of a capture and in a live view."""


def own_ns(pool: PoolLedger, store: Recent, chosen: Bool) -> Int64:
    """Return how long each chosen task held its worker, without waits in which others ran."""
    waits = pool.waits
    own = (store["ended_ns"] - store["started_ns"])[chosen]
    helping = waits["helped"] > 0
    if len(own) and helping.any():
        numbers = store["task"][chosen]
        order = np.argsort(numbers, kind="stable")
        waiter, lengths = waits["task"][helping], (waits["ended_ns"] - waits["began_ns"])[helping]
        place = order[np.minimum(np.searchsorted(numbers[order], waiter), len(order) - 1)]
        known = numbers[place] == waiter
        np.subtract.at(own, place[known], lengths[known])
    return own


def task_rows(pool: PoolLedger, end_ns: int, since_ns: int = NONE) -> Rows:
    """Return all tasks run since a time: worker, began, ended and more columns."""
    return tasks_and_departures(pool, end_ns, since_ns)[0]


def tasks_and_departures(pool: PoolLedger, end_ns: int, since_ns: int) -> tuple[Rows, Int64]:
    """Return the tasks run, open ones included, and when others left the queue without running."""
    store = Recent(pool.tasks, since_ns, and_last=pool.shared_queue)
    gone = never_ran(store["outcome"])
    ran = ~gone
    workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    rows = {
        "worker": with_more(store["worker"][ran], workers),
        "began": with_more(store["started_ns"][ran], [i.began_ns for i in still]),
        "ended": with_more(store["ended_ns"][ran], open_ends(pool, end_ns, still)),
        "task": with_more(store["task"][ran], [i.task for i in still]),
        "kind": with_more(store["kind"][ran], [i.kind for i in still]),
        "spawned_ns": with_more(store["spawned_ns"][ran], [i.spawned_ns for i in still]),
        "cpu_ns": with_more(store["cpu_ns"][ran], [NONE] * len(still)),
    }
    rows["full_ns"] = rows["ended"] - rows["began"]
    return of_workers(rows, pool.workers), store["started_ns"][gone]


def kind_name(pool: PoolLedger, kind: int) -> str:
    """Return the name of a kind of task by its number."""
    return pool.task_kinds[kind] if 0 <= kind < len(pool.task_kinds) else f"kind {kind}"
