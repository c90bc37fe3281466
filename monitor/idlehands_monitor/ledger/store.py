"""A growing table of int64 columns: rows are added at one end and forgotten at the other.

Rows arrive in batches of one worker or several. The rows of one worker are in the order of time;
between workers the order is only rough. So the first row of a time is searched by batch.
Touches nothing but numpy.
"""

from __future__ import annotations

from bisect import bisect_left
from copy import copy
from typing import TYPE_CHECKING, Any

import numpy as np

from ..model.arrays import Int64

if TYPE_CHECKING:
    from collections.abc import Sequence

    from idlehands.wire import Table


FIRST_CAPACITY = 1024
BATCH_BYTES = 200
"""Memory of the notes on one batch, about."""
GROWTH = 4
"""So many times the room is made when it is used up: what is not written yet takes no memory."""
FORGET_SHARE = 4
"""Rows are dropped once one in `FORGET_SHARE` can be: so each is moved only a few times."""


class TableStore:
    """The rows of one table of one pool, with the column ``worker`` added at the end.

    ``store["started_ns"]`` is a view of that column over all rows held, shape (rows,). `time`
    names the column by whose values rows are found and forgotten.
    """

    def __init__(self, table: Table, time: str) -> None:
        self.table = table
        self.time = time
        self._columns = table.names
        self.names = (*self._columns, "worker")
        self._index = {name: number for number, name in enumerate(self.names)}
        self._data = np.empty((len(self.names), FIRST_CAPACITY), dtype=np.int64)
        self._rows = 0
        self._starts: list[int] = []
        self._latest: list[int] = []  # the latest time up to the end of each batch
        self._last_rows: dict[int, list[int]] = {}  # the last row of each batch of a worker

    def __len__(self) -> int:
        return self._rows

    def __getstate__(self) -> dict[str, Any]:
        """Return what is held, without the room for more rows."""
        return {**self.__dict__, "_data": self._data[:, : self._rows]}

    def __getitem__(self, name: str) -> Int64:
        return self._data[self._index[name], : self._rows]

    def append(self, values: Int64, parts: Sequence[tuple[int, int]]) -> None:
        """Add rows. values: shape (columns, rows); parts: (worker, number of rows), in order."""
        rows = values.shape[1]
        if not rows:
            return
        self._reserve(rows)
        start, end = self._rows, self._rows + rows
        self._data[:-1, start:end] = values
        self._data[-1, start:end] = np.repeat(*np.array(parts, dtype=np.int64).T)
        self._rows = end
        self._note(start, int(self[self.time][start:].max()))
        for worker, count in parts:
            start += count
            if count:
                self._last_rows.setdefault(worker, []).append(start - 1)

    def _note(self, start: int, latest: int) -> None:
        self._starts.append(start)
        self._latest.append(max(latest, self._latest[-1]) if self._latest else latest)

    def since(self, since_ns: int) -> int:
        """Return a row near the first one that is not earlier than `since_ns`, never behind it."""
        batch = bisect_left(self._latest, since_ns)
        return self._starts[batch] if batch < len(self._starts) else self._rows

    def last_before(self, row: int) -> Int64:
        """Return each worker's last row before `row`, where `row` begins a batch."""
        found = [rows[bisect_left(rows, row) - 1] for rows in self._last_rows.values()]
        return np.array([last for last in found if last < row], dtype=np.int64)

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop rows before `timestamp_ns`, once they are `1 / FORGET_SHARE` of those held."""
        first = self.since(timestamp_ns)
        if first and first * FORGET_SHARE >= self._rows:
            self._drop(first)

    def _drop(self, first: int) -> None:
        """Drop the rows before row `first`, with which a batch must begin."""
        left = self._rows - first
        self._data[:, :left] = self._data[:, first : self._rows].copy()
        self._rows = left
        if left * 2 * GROWTH < self._data.shape[1]:
            self._resize(max(FIRST_CAPACITY, 2 * left))
        self._drop_batches(first)

    def _drop_batches(self, first: int) -> None:
        batch = bisect_left(self._starts, first)
        self._starts = [start - first for start in self._starts[batch:]]
        self._latest = self._latest[batch:]
        rest = {
            worker: [row - first for row in rows[bisect_left(rows, first) :]]
            for worker, rows in self._last_rows.items()
        }
        self._last_rows = {worker: rows for worker, rows in rest.items() if rows}

    def recent(self, since_ns: int) -> TableStore:
        """Return a copy with the rows from near `since_ns` on."""
        first = self.since(since_ns)
        other = copy(self)
        other._data = self._data[:, first : self._rows].copy()
        other._rows = self._rows - first
        other._drop_batches(first)
        return other

    @property
    def held_bytes(self) -> int:
        """Memory of the rows."""
        return self._rows * len(self.names) * 8 + BATCH_BYTES * len(self._starts)

    def halve(self) -> int:
        """Drop the older half of the rows, in batches; return the time that rows now begin at."""
        before_ns = self._latest[max(0, bisect_left(self._starts, self._rows // 2) - 1)] + 1
        self._drop(self.since(before_ns))
        return before_ns

    def _reserve(self, more: int) -> None:
        capacity, needed = self._data.shape[1], self._rows + more
        if needed <= capacity:
            return
        self._resize(max(needed, GROWTH * capacity))

    def _resize(self, capacity: int) -> None:
        resized = np.empty((len(self.names), capacity), dtype=np.int64)
        resized[:, : self._rows] = self._data[:, : self._rows]
        self._data = resized
