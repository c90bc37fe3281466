"""A growing table of int64 columns: rows are added at one end and forgotten at the other.

Touches nothing but numpy.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from idlehands.wire import Table

Int64 = npt.NDArray[np.int64]

FIRST_CAPACITY = 1024


class TableStore:
    """The rows of one table of one pool, with the column ``worker`` added at the end.

    ``store["started_ns"]`` is a view of that column over all rows held, shape (rows,).
    """

    def __init__(self, table: Table) -> None:
        self.table = table
        self.names = (*table.names, "worker")
        self._index = {name: number for number, name in enumerate(self.names)}
        self._data = np.empty((len(self.names), FIRST_CAPACITY), dtype=np.int64)
        self._rows = 0

    def __len__(self) -> int:
        return self._rows

    def __getitem__(self, name: str) -> Int64:
        return self._data[self._index[name], : self._rows]

    def append(self, columns: Mapping[str, bytes], rows: int, worker: int) -> None:
        """Add `rows` rows whose columns are little-endian int64 bytes, all of `worker`.

        Columns that the table does not know are skipped, missing ones are filled with -1.
        Raises ValueError when a column does not hold `rows` values.
        """
        missing = b"\xff" * 8 * rows  # -1 in every row
        found = [columns.get(name, missing) for name in self.table.names]
        for name, column in zip(self.table.names, found, strict=True):
            if len(column) != 8 * rows:
                raise ValueError(f"column {name} has {len(column) / 8:g} values, not {rows}")
        self._reserve(rows)
        end = self._rows + rows
        values = np.frombuffer(b"".join(found), dtype="<i8").reshape(len(found), rows)
        self._data[:-1, self._rows : end] = values
        self._data[-1, self._rows : end] = worker
        self._rows = end

    def forget_before(self, name: str, value: int) -> None:
        """Drop the rows whose column `name` is under `value`."""
        if self._rows == 0:
            return
        keep = np.flatnonzero(self[name] >= value)
        if len(keep) < self._rows:
            self._data[:, : len(keep)] = self._data[:, keep]
            self._rows = len(keep)

    def _reserve(self, more: int) -> None:
        capacity = self._data.shape[1]
        if self._rows + more <= capacity:
            return
        grown = np.empty((len(self.names), max(2 * capacity, self._rows + more)), dtype=np.int64)
        grown[:, : self._rows] = self._data[:, : self._rows]
        self._data = grown
