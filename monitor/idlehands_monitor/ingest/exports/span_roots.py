"""Which task is the root of which: the tree of spawns of each pool. Pure.

Pointer jumping: J. C. Wyllie 1979, "The Complexity of Parallel Computations".
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import TASKS

if TYPE_CHECKING:
    from ...model.arrays import Int64
    from ..schema import CheckedFrame

TASK, PARENT = TASKS.names.index("task"), TASKS.names.index("parent")
MOST_JUMPS = 64
"""A jump doubles the distance, and no path has 2**64 tasks; only a damaged record has circles."""


class Roots:
    """Collects who spawned whom, then says whose tree a task is in; holds two integers a task."""

    def __init__(self) -> None:
        self._found: dict[int, list[Int64]] = {}
        self._trees: dict[int, tuple[Int64, Int64]] = {}

    def add(self, pool: int, frame: CheckedFrame) -> None:
        """Take the rows of tasks of a pool."""
        pairs = frame["values"][[TASK, PARENT]]
        pairs = pairs[:, pairs[1] >= 0]
        if pairs.size:
            self._found.setdefault(pool, []).append(pairs)

    def of(self, pool: int, tasks: Int64) -> Int64:
        """Return the root of each task: the first ancestor that no recorded task spawned."""
        if pool in self._found:
            self._trees[pool] = _resolved(np.concatenate(self._found.pop(pool), axis=1))
        if pool not in self._trees:
            return tasks
        known, roots = self._trees[pool]
        place = np.minimum(np.searchsorted(known, tasks), len(known) - 1)
        return np.where(known[place] == tasks, roots[place], tasks)


def _resolved(pairs: Int64) -> tuple[Int64, Int64]:
    """Return the tasks with a parent, in order, and the root of each."""
    tasks, first = np.unique(pairs[0], return_index=True)
    parents = pairs[1][first]
    place = np.minimum(np.searchsorted(tasks, parents), len(tasks) - 1)
    up = np.where(tasks[place] == parents, place, np.arange(len(tasks)))
    for _ in range(MOST_JUMPS):
        further = up[up]
        if (further == up).all():
            break
        up = further
    return tasks, parents[up]
