"""Whether stolen tasks are the larger ones, and how much work a steal brought.

Pure. Thieves take the oldest task because in a divide-and-conquer computation it is the largest:
one steal then brings a whole subtree of work (R. D. Blumofe, C. E. Leiserson 1999, "Scheduling
multithreaded computations by work stealing", J. ACM 46(5):720–748). Sizes are the caller's hints
where there are enough of them, otherwise the time of a task and all its descendants: the time in
the task alone does not show how much work it brings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import OWN_DEQUE

from ...ledger.rows import Recent, own_ns, ran_to_end
from ...model.arrays import Bool, Float, Int64
from ...model.deques import DepthReading, SizesReading
from ..stats.rank_test import rank_test
from ..stats.summary import quantile
from .limits import LEAST_TAKES

if TYPE_CHECKING:
    from ...ledger import PoolLedger


def sizes(pool: PoolLedger, begin_ns: int, end_ns: int) -> SizesReading | None:
    """Return how large stolen tasks were, compared with those from the workers' own deques.

    The window has full detail and no lost rows; only tasks that ran to their end count. None with
    fewer than `LEAST_TAKES` of either sort.
    """
    store = Recent(pool.tasks, begin_ns)
    ran = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    ran &= ran_to_end(store["outcome"])
    taken_from = store["taken_from"][ran]
    stolen, local = taken_from >= 0, taken_from == OWN_DEQUE
    own, hints = np.maximum(own_ns(pool, store, ran), 0), store["size"][ran]
    by_hint = _enough(stolen & (hints >= 0)) and _enough(local & (hints >= 0))
    followed = (store["started_ns"][ran] >= begin_ns) & (own > 0)
    task, parent = store["task"][ran], store["parent"][ran]
    trees = subtree_ns(task, parent, own)
    values, known = (hints, hints >= 0) if by_hint else (trees, followed)
    of_stolen, of_local = values[stolen & known], values[local & known]
    if min(len(of_stolen), len(of_local)) < LEAST_TAKES:
        return None
    test = rank_test(of_stolen, of_local)
    unit = 1.0 if by_hint else 1e9
    followed &= stolen
    return SizesReading(
        by_hint=by_hint,
        stolen=len(of_stolen),
        local=len(of_local),
        median_stolen=quantile(of_stolen, 0.5) / unit,
        median_local=quantile(of_local, 0.5) / unit,
        superiority=test.superiority,
        error=test.error,
        p=test.p,
        steals=int(np.count_nonzero(followed)),
        own_s=_median(own[followed] / 1e9),
        subtree_s=_median(trees[followed] / 1e9),
        own_share=_median(own[followed] / trees[followed]),
        depth=_depth(depths(task, parent), stolen, local),
    )


def _depth(deep: Int64, stolen: Bool, local: Bool) -> DepthReading | None:
    of_stolen, of_local = deep[stolen & (deep >= 0)], deep[local & (deep >= 0)]
    if min(len(of_stolen), len(of_local)) < LEAST_TAKES:
        return None
    test = rank_test(of_stolen, of_local)
    return DepthReading(
        stolen=len(of_stolen),
        local=len(of_local),
        median_stolen=quantile(of_stolen, 0.5),
        median_local=quantile(of_local, 0.5),
        superiority=test.superiority,
        p=test.p,
    )


def _enough(chosen: Bool) -> bool:
    return int(np.count_nonzero(chosen)) >= LEAST_TAKES


def _median(values: Float) -> float:
    return quantile(values, 0.5) if len(values) else 0.0


def subtree_ns(task: Int64, parent: Int64, own: Int64) -> Int64:
    """Return the time of each task and all its descendants, in ns, shape (n,).

    task: numbers, each once; parent: the number of the task that spawned it, which is smaller.
    """
    order, ups = _parents(task, parent)
    totals = own[order].tolist()
    for row in range(len(totals) - 1, -1, -1):  # children before their parents
        if ups[row] >= 0:
            totals[ups[row]] += totals[row]
    found = np.empty(len(own), dtype=np.int64)
    found[order] = totals
    return found


def depths(task: Int64, parent: Int64) -> Int64:
    """Return how many ancestors each task has, shape (n,): 0 without a parent, -1 unknown.

    task: numbers, each once; parent: the number of the task that spawned it, which is smaller, and
    below 0 for none. A depth is unknown if an ancestor is not among these tasks.
    """
    order, ups = _parents(task, parent)
    spawned_inside = (parent[order] >= 0).tolist()
    deep: list[int] = []
    for up, inside in zip(ups, spawned_inside, strict=True):  # parents before their children
        above = deep[up] if up >= 0 else -1
        deep.append(above + 1 if above >= 0 else -1 if inside else 0)
    found = np.empty(len(task), dtype=np.int64)
    found[order] = deep
    return found


def _parents(task: Int64, parent: Int64) -> tuple[Int64, list[int]]:
    """Return (order of the numbers, place of each task's parent in that order or -1)."""
    order = np.argsort(task, kind="stable")
    numbers = task[order]
    place = np.minimum(np.searchsorted(numbers, parent[order]), max(0, len(numbers) - 1))
    # In a damaged stream a task may be its own ancestor; such a loop must not be followed.
    there = (numbers[place] == parent[order]) & (place < np.arange(len(numbers)))
    return order, np.where(there, place, -1).tolist()
