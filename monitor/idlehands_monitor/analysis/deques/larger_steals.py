"""How much more work a steal would have brought had owners and thieves kept to their ends.

Pure. Thieves take the oldest task and leave it to owners to take the newest, because the oldest is
the root of the most work (R. D. Blumofe, C. E. Leiserson 1999, "Scheduling multithreaded
computations by work stealing", J. ACM 46(5):720-748): one that brings less has to be made more
often. What a steal brings is the time of the stolen task and of all that came from it.

Where thieves did not keep to their end, each steal is given the oldest task that its victim's deque
held then and that no steal before it was given. Where owners did not, each is given the mean of
those tasks that owners took although younger ones were there: they would have been left for
thieves. Where neither did, the larger of the two. This is an estimate: another order would have
filled the deques otherwise (ours, no source).
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
    """Return what steals brought in a window of whole detail without lost rows, and could have.

    None where owners and thieves kept to their ends, or fewer than `LEAST_TAKES` tasks with known
    work were stolen.
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
    """Return per wanted task the time of it and all that came from it, 0 where it has not ended."""
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
    """Say which tasks their owner took although a younger one was there for sure."""
    found = takes(rows, np.ones(len(rows["task"]), dtype=np.bool_))  # in the order of the rows
    return np.asarray(~found.stolen & found.judged & ~found.at_end, dtype=np.bool_)


def oldest_left(rows: Rows, stolen: Bool) -> Int64:
    """Return for each stolen row the one that a thief of the oldest would have had, as a place.

    Shape (steals,). rows: owner, spawned, started, in the order of owner and push. Steals of one
    deque are gone through in the order of time; a task is given away once. Where nothing else is
    left a steal keeps what it took.
    """
    owner, spawned, started = (rows[name].tolist() for name in ("owner", "spawned", "started"))
    steals = np.flatnonzero(stolen)
    first = np.searchsorted(rows["owner"], rows["owner"][steals]).tolist()
    end = np.searchsorted(rows["owner"], rows["owner"][steals], side="right").tolist()
    given = steals.copy()
    oldest: dict[int, int] = {}
    for place in np.lexsort((rows["started"][steals], rows["owner"][steals])).tolist():
        moment, row = started[steals[place]], int(steals[place])
        at = oldest.get(owner[row], first[place])
        while at < end[place] and started[at] < moment:
            at += 1
        if at < end[place] and spawned[at] <= moment:
            given[place] = at
            at += 1
        oldest[owner[row]] = at
    return given
