"""How intervals nest: a task can wait, and its worker run others, search and park meanwhile."""

from __future__ import annotations

import numpy as np

from ...ledger.rows import Rows
from ...model.arrays import Bool, Int64


class Nesting:
    """Which intervals lie inside a wait of their worker: one sorted search over all workers.

    Worker and moment are folded into one key, worker · span + moment, so that a single
    searchsorted serves them all.
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

    def _keys(self, worker: Int64, moment: Int64) -> Int64:
        # Nothing after the last wait lies in a wait, so such moments may share one key.
        return worker * self._span + np.minimum(moment - self._base, self._span - 1)

    def inside(self, rows: Rows) -> Bool:
        """Say which of `rows` lie inside a wait that began before them."""
        began = self._keys(rows["worker"], rows["began"])
        ended = self._keys(rows["worker"], rows["ended"])
        if not len(self._sorted_began):
            return np.zeros(len(began), dtype=np.bool_)
        place = np.searchsorted(self._sorted_began, began, side="left")
        reach = np.where(place > 0, self._reach[np.maximum(place - 1, 0)], -1)
        return np.asarray((place > 0) & (reach >= ended), dtype=np.bool_)

    def helping(self, tasks: Rows, idle_intervals: Rows) -> Int64:
        """Return 1 per wait in which its worker ran, searched or parked, 0 for the others."""
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
