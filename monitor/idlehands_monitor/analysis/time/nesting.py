"""How intervals nest: while a task waits, its worker can run other tasks, search and park. Pure."""

from __future__ import annotations

import numpy as np

from ...ledger.rows import Rows
from ...model.arrays import Bool, Int64


class Nesting:
    """Which intervals are inside a wait of their worker: one sorted search over all workers.

    Worker and timestamp are combined into one key, worker · span + timestamp, so that one
    searchsorted serves all workers.
    """

    def __init__(self, waits: Rows, base_ns: int) -> None:
        self._base = base_ns
        self._span = int(waits["ended"].max()) - base_ns + 2 if len(waits["ended"]) else 2
        self._began = self._keys(waits["worker"], waits["began"])
        self._ended = self._keys(waits["worker"], waits["ended"])
        order = np.argsort(self._began, kind="stable")
        self._sorted_began = self._began[order]
        # Keys of an earlier worker are smaller, so one running maximum serves all workers.
        self._reach = np.maximum.accumulate(self._ended[order]) if len(order) else self._ended

    def _keys(self, worker: Int64, timestamps: Int64) -> Int64:
        # Timestamps after the last wait are in no wait, so they may share one key.
        return worker * self._span + np.minimum(timestamps - self._base, self._span - 1)

    def inside(self, rows: Rows) -> Bool:
        """Return which of `rows` are inside a wait that began before them."""
        began = self._keys(rows["worker"], rows["began"])
        ended = self._keys(rows["worker"], rows["ended"])
        if not len(self._sorted_began):
            return np.zeros(len(began), dtype=np.bool_)
        place = np.searchsorted(self._sorted_began, began, side="left")
        reach = np.where(place > 0, self._reach[np.maximum(place - 1, 0)], -1)
        return np.asarray((place > 0) & (reach >= ended), dtype=np.bool_)

    def helping(self, tasks: Rows, idle_intervals: Rows) -> Int64:
        """Return 1 for each wait in which its worker ran, searched or parked, else 0."""
        if not len(self._began):
            return np.zeros(0, dtype=np.int64)
        starts = np.sort(
            np.concatenate(
                [self._keys(rows["worker"], rows["began"]) for rows in (tasks, idle_intervals)]
            )
        )
        low = np.searchsorted(starts, self._began, side="right")
        high = np.searchsorted(starts, self._ended, side="left")
        return np.asarray(high > low, dtype=np.int64)
