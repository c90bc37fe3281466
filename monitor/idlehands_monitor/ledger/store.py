"""A growing table of int64 columns: rows are added at one end and forgotten at the other.

Rows arrive in batches, each of one worker or of several, a worker's in the order of their time;
between workers the order is only rough. So where rows of a time begin is found by batch, without
looking at rows.
Touches nothing but numpy.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from idlehands.wire import Table

Int64 = npt.NDArray[np.int64]

FIRST_CAPACITY = 1024
FORGET_SHARE = 4
"""Rows are dropped when a quarter of those held may be: each is then moved a few times at most."""


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

    def __getitem__(self, name: str) -> Int64:
        return self._data[self._index[name], : self._rows]

    def append(self, columns: Mapping[str, bytes], parts: Sequence[tuple[int, int]]) -> None:
        """Add rows whose columns are little-endian int64 bytes; `parts` are (worker, its rows).

        Columns that the table does not know are skipped, missing ones are filled with -1.
        Raises ValueError when a column does not hold the rows of all parts.
        """
        rows = _rows_of(parts)
        missing = b"\xff" * 8 * rows  # -1 in every row
        found = [columns.get(name, missing) for name in self._columns]
        if any(len(column) != 8 * rows for column in found):
            raise ValueError(f"columns of {[len(column) / 8 for column in found]} rows, not {rows}")
        self._add(np.frombuffer(b"".join(found), dtype="<i8").reshape(len(found), rows), parts)

    def append_words(self, words: bytes, skip: int, parts: Sequence[tuple[int, int]]) -> None:
        """Add rows that lie one after the other as int64 words, `skip` of each before its columns.

        Columns past those that the table knows are skipped, missing ones are filled with -1. Raises
        ValueError where the words do not make up the rows of all parts.
        """
        rows = _rows_of(parts)
        if not rows:
            return
        values = np.frombuffer(words, dtype="<i8").reshape(rows, -1)
        if skip < 0:
            raise ValueError(f"{skip} words to skip")
        known = values[:, skip : skip + len(self._columns)].T
        if len(known) < len(self._columns):
            more = np.full((len(self._columns) - len(known), rows), -1, dtype=np.int64)
            known = np.concatenate([known, more])
        self._add(known, parts)

    def _add(self, values: Int64, parts: Sequence[tuple[int, int]]) -> None:
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

    def since(self, moment: int) -> int:
        """Return a row before which all are earlier than `moment`; near the first that is not."""
        batch = bisect_left(self._latest, moment)
        return self._starts[batch] if batch < len(self._starts) else self._rows

    def last_before(self, row: int) -> Int64:
        """Return each worker's last row before `row`, where `row` begins a batch."""
        found = [rows[bisect_left(rows, row) - 1] for rows in self._last_rows.values()]
        return np.array([last for last in found if last < row], dtype=np.int64)

    def forget_before(self, moment: int) -> None:
        """Drop rows from before `moment`, once they are a good part of those held."""
        first = self.since(moment)
        if first * FORGET_SHARE < self._rows or first == 0:
            return
        kept = self._rows - first
        self._data[:, :kept] = self._data[:, first : self._rows].copy()
        self._rows = kept
        batch = bisect_left(self._starts, first)
        self._starts = [start - first for start in self._starts[batch:]]
        self._latest = self._latest[batch:]
        rest = {
            worker: [row - first for row in rows[bisect_left(rows, first) :]]
            for worker, rows in self._last_rows.items()
        }
        self._last_rows = {worker: rows for worker, rows in rest.items() if rows}

    def _reserve(self, more: int) -> None:
        capacity = self._data.shape[1]
        if self._rows + more <= capacity:
            return
        grown = np.empty((len(self.names), max(2 * capacity, self._rows + more)), dtype=np.int64)
        grown[:, : self._rows] = self._data[:, : self._rows]
        self._data = grown


def _rows_of(parts: Sequence[tuple[int, int]]) -> int:
    if any(count < 0 for _, count in parts):
        raise ValueError(f"a part of fewer than no rows: {parts}")
    return sum(count for _, count in parts)
