"""How much more work a steal would have brought, had owners and thieves used the promised ends.

Pure. Thieves take the oldest task and owners the newest, because the oldest task is the root of the
most work (R. D. Blumofe, C. E. Leiserson 1999, "Scheduling multithreaded computations by work
stealing", J. ACM 46(5):720-748): steals that bring less have to be made more often. A steal brings
the time of the stolen task and all its descendants.

If thieves did not use their end, each steal is given the oldest task that its victim's deque held
then and that no earlier steal was given. If owners did not use theirs, each steal is given the mean
of the tasks that owners took although newer ones were there: these would have been left for
thieves. If neither did, the larger of the two counts. This is an estimate: in another order the
deques would have held other tasks (ours, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import Recent, never_ran, own_ns, ran_to_end
from ...model.deques import LargerStealsReading
from ...model.vocabulary import Verdict
from .ends import deque_rows, left_own_deque, soonest, takes
from .limits import LEAST_TAKES
from .sizes import subtree_ns

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...ledger.rows import Rows
    from ...model.arrays import Bool, Int64
    from ...model.deques import EndsReading


def larger_steals(
    pool: PoolLedger, begin_ns: int, end_ns: int, ends: EndsReading | None
) -> LargerStealsReading | None:
    """Return what steals brought, and could have, in a window with full detail and no lost rows.

    None where owners and thieves used the promised ends, or fewer than `LEAST_TAKES` tasks with
    known work were stolen.
    """
    if ends is None or Verdict.BROKEN not in (ends.thieves_oldest, ends.owners_newest):
        return None
    rows = deque_rows(pool, begin_ns, end_ns)
    rows["soonest"] = soonest(rows)
    chosen = left_own_deque(rows) & (~never_ran(rows["outcome"]))
    rows = {name: column[chosen] for name, column in rows.items()}
    order = np.lexsort((rows["task"], rows["spawned"], rows["owner"]))
    rows = {name: column[order] for name, column in rows.items()}
    work = _work_with(pool, begin_ns, end_ns, rows["task"])
    stolen = (rows["taken_from"] >= 0) & (work > 0) & (rows["started"] >= begin_ns)
    if np.count_nonzero(stolen) < LEAST_TAKES:
        return None
    brought, could = float(work[stolen].mean()), 0.0
    if ends.thieves_oldest == Verdict.BROKEN:
        could = float(work[oldest_left(rows, stolen)].mean())
    if ends.owners_newest == Verdict.BROKEN:
        could = max(could, _mean(work[_taken_too_soon(rows) & (work > 0)]))
    return LargerStealsReading(int(np.count_nonzero(stolen)), brought / 1e9, could / 1e9)


def _mean(values: Int64) -> float:
    return float(values.mean()) if len(values) else 0.0


def _work_with(pool: PoolLedger, begin_ns: int, end_ns: int, wanted: Int64) -> Int64:
    """Return the time of each wanted task and its descendants, in ns, 0 where it has not ended."""
    store = Recent(pool.tasks, begin_ns)
    ran = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    ran &= ran_to_end(store["outcome"])
    number = store["task"][ran]
    if not len(number):
        return np.zeros(len(wanted), dtype=np.int64)
    own = np.maximum(own_ns(pool, store, ran), 0)
    trees = subtree_ns(number, store["parent"][ran], own)
    order = np.argsort(number, kind="stable")
    place = np.minimum(np.searchsorted(number[order], wanted), len(number) - 1)
    return np.where(number[order][place] == wanted, trees[order][place], 0)


def _taken_too_soon(rows: Rows) -> Bool:
    """Return which tasks their owner took although a newer one was surely there."""
    found = takes(rows, np.ones(len(rows["task"]), dtype=np.bool_))  # ordered as the rows are
    return np.asarray(~found.stolen & found.judged & ~found.at_end, dtype=np.bool_)


def oldest_left(rows: Rows, stolen: Bool) -> Int64:
    """Return for each stolen row the place of the task that a steal of the oldest would bring.

    Shape (steals,). rows: owner, spawned, started, ordered by owner and push. The steals of one
    deque are taken in the order of time, and each task is given once. If no other task is left, a
    steal is given the task that it took.
    """
    owner, spawned, started = (rows[name].tolist() for name in ("owner", "spawned", "started"))
    steals = np.flatnonzero(stolen)
    first = np.searchsorted(rows["owner"], rows["owner"][steals]).tolist()
    end = np.searchsorted(rows["owner"], rows["owner"][steals], side="right").tolist()
    given = steals.copy()
    oldest: dict[int, int] = {}
    for place in np.lexsort((rows["started"][steals], rows["owner"][steals])).tolist():
        taken_ns, row = started[steals[place]], int(steals[place])
        at = oldest.get(owner[row], first[place])
        while at < end[place] and started[at] < taken_ns:
            at += 1
        if at < end[place] and spawned[at] <= taken_ns:
            given[place] = at
            at += 1
        oldest[owner[row]] = at
    return given
