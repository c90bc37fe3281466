"""Rows of the ledger as plain arrays: what has ended, and what was still open, together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from idlehands.wire import CANCELLED, LOST, MOVED

if TYPE_CHECKING:
    from ..ledger import OpenInterval, PoolLedger, TableStore

NEVER = int(np.iinfo(np.int64).max)

Int64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]
Rows = dict[str, Int64]
"""Columns by name, one length; times in nanoseconds."""


def never_ran(outcome: Int64) -> Bool:
    """Say which tasks left their pool's queue without being run in it: cancelled, or moved."""
    return np.asarray((outcome == CANCELLED) | (outcome == MOVED), dtype=np.bool_)


def whole_runs(outcome: Int64) -> Bool:
    """Say which tasks ran to their end in their pool, returning or raising."""
    return np.asarray(~never_ran(outcome) & (outcome != LOST), dtype=np.bool_)


class Recent:
    """The rows of a table from a moment on, a few earlier ones among them.

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
    """Return the moment, `begin_ns` or later, from which on at most `most` rows end."""
    ended = Recent(store, begin_ns)["ended_ns"]
    ended = ended[ended > begin_ns]
    return begin_ns if len(ended) <= most else int(np.partition(ended, -most)[-most])


def still_open(
    pool: PoolLedger, store: TableStore, start: str, sorts: tuple[str, ...]
) -> tuple[list[int], list[OpenInterval]]:
    """Return (workers, intervals) open at the last levels, without those that a row has closed.

    What ended while the levels were being read is in both; its row ends after their moment.
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
    """Return an end for each open interval: nothing known says that it is over, but that its thread
    is gone."""
    return [
        max(i.began_ns, *((i.until_ns,) if i.until_ns >= 0 else (pool.complete_ns, end_ns)))
        for i in still
    ]


def with_more(column: Int64, more: list[int]) -> Int64:
    """Return a column with more values behind it."""
    return np.concatenate([column, np.array(more, dtype=np.int64)])


def of_workers(rows: Rows, workers: int) -> Rows:
    """Leave out rows of workers that the pool does not have (a damaged or hostile stream)."""
    known = (rows["worker"] >= 0) & (rows["worker"] < workers)
    return rows if known.all() else {name: column[known] for name, column in rows.items()}
