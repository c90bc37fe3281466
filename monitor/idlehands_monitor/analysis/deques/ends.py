"""From which end of a deque tasks were taken: rebuilds the deques from the ledger's rows.

Pure. The discipline is that of D. Chase, Y. Lev (2005), "Dynamic circular work-stealing deque",
SPAA '05, 21–28: an owner pushes and pops at the bottom, newest first; thieves take from the top,
oldest first. At any time a worker's deque holds the tasks that it spawned and nobody has taken.

A timestamp is not the operation itself. A task gets one before its push and one after its take,
each from the thread that does it. So an owner's pushes and takes are in their true order. A take is
between its worker's timestamp before and its own, at most `TOLERANCE_NS` before its own. Two takes
whose ranges overlap may have been in either order; if that matters, the take is ambiguous and not
judged. A thread that is delayed for longer between a take and its timestamp makes a few takes seem
wrong; the verdicts allow for that.

Tasks that had not begun at the end of the window have no row, so a take is judged among those that
had begun.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from idlehands.wire import INBOX, NONE, OTHER_POOL, OWN_DEQUE

from ...ledger.rows import Recent, Rows, never_ran, of_workers, still_open, with_more
from ...model.arrays import Bool, Int64
from ...model.deques import EndReading, EndsReading
from ...model.vocabulary import Verdict
from ..stats.order_statistics import larger_before, maximum_before, range_maximum
from ..stats.summary import quantile, wilson
from .limits import KEPT_SHARE, LEAST_TAKES, MOST_UNPLACED

if TYPE_CHECKING:
    from ...ledger import PoolLedger

TOLERANCE_NS = 50_000
"""How far a timestamp may be from its push or take; common practice, no source."""
MOST_TIMESTAMPS = 5


@dataclass(frozen=True, slots=True)
class Takes:
    """Every take from a deque, shape (n,) each.

    started_ns: its timestamp. owner: of the deque. stolen: taken by another worker. from_oldest,
    from_newest: distance of the task from either end by the timestamps, 0 at the end. length: tasks
    in the deque, this one included. at_end: from the promised end. judged: the end is known, and
    there was a choice. ambiguous: the end is not known.
    """

    started_ns: Int64
    owner: Int64
    stolen: Bool
    from_oldest: Int64
    from_newest: Int64
    length: Int64
    at_end: Bool
    judged: Bool
    ambiguous: Bool


def ends(pool: PoolLedger, begin_ns: int, end_ns: int) -> EndsReading:
    """Return from which ends tasks were taken in a window with full detail and no lost rows."""
    rows = deque_rows(pool, begin_ns, end_ns)
    rows["soonest"] = soonest(rows)  # needs all tasks of each worker
    placed = left_own_deque(rows)
    inside = (rows["started"] >= begin_ns) & (rows["started"] < end_ns)
    inside &= ~never_ran(rows["outcome"])
    elsewhere = (rows["taken_from"] == INBOX) | (rows["taken_from"] == OTHER_POOL)
    found = takes({name: column[placed] for name, column in rows.items()}, inside[placed])
    return judged_ends(
        begin_ns,
        _end(found, ~found.stolen, found.from_newest),
        _end(found, found.stolen, found.from_oldest),
        int(np.count_nonzero(inside & ~placed & ~elsewhere)),
        int(np.count_nonzero(found.length >= 2) + np.count_nonzero(found.length > 2)),
    )


def judged_ends(
    begin_ns: int, own: EndReading, stolen: EndReading, unplaced: int, of_two: int = 0
) -> EndsReading:
    """Return a reading of the two ends, with the verdicts on both promises."""
    placed = unplaced <= MOST_UNPLACED * (own.takes + stolen.takes + unplaced)
    newest, oldest = (end_verdict(end) if placed else Verdict.UNKNOWN for end in (own, stolen))
    return EndsReading(begin_ns, own, stolen, unplaced, of_two, newest, oldest)


def end_verdict(end: EndReading) -> Verdict:
    """Return kept from `KEPT_SHARE` on, broken if Wilson's interval is below it, else unknown."""
    if end.with_choice < LEAST_TAKES:
        return Verdict.UNKNOWN
    if end.at_end >= KEPT_SHARE * end.with_choice:
        return Verdict.KEPT
    upper = wilson(end.at_end, end.with_choice)[1]
    return Verdict.BROKEN if upper < KEPT_SHARE else Verdict.UNKNOWN


def _end(found: Takes, chosen: Bool, rank: Int64) -> EndReading:
    judged = chosen & found.judged
    wrong = np.sort(found.started_ns[judged & ~found.at_end])
    return EndReading(
        takes=int(np.count_nonzero(chosen)),
        ambiguous=int(np.count_nonzero(chosen & found.ambiguous)),
        with_choice=int(np.count_nonzero(judged)),
        at_end=int(np.count_nonzero(judged & found.at_end)),
        rank=quantile(rank[judged], 0.5) if judged.any() else 0.0,
        length=quantile(found.length[judged], 0.5) if judged.any() else 0.0,
        timestamps_ns=tuple(wrong[:MOST_TIMESTAMPS].tolist()),
    )


def deque_rows(pool: PoolLedger, begin_ns: int, end_ns: int) -> Rows:
    """Return the tasks that were in a deque at some time in the window, open ones included."""
    store = Recent(pool.tasks, begin_ns)
    workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    rows = {
        "worker": with_more(store["worker"], workers),
        "task": with_more(store["task"], [i.task for i in still]),
        "owner": with_more(store["spawned_by"], [i.spawned_by for i in still]),
        "spawned": with_more(store["spawned_ns"], [i.spawned_ns for i in still]),
        "started": with_more(store["started_ns"], [i.began_ns for i in still]),
        "ended": with_more(store["ended_ns"], [end_ns] * len(still)),
        "taken_from": with_more(store["taken_from"], [i.taken_from for i in still]),
        "outcome": with_more(store["outcome"], [NONE] * len(still)),
    }
    # Cancelled and moved tasks were in a deque, too; an extra worker stands for the outside.
    outside = never_ran(rows["outcome"]) & (rows["worker"] < 0)
    rows["worker"] = np.where(outside, pool.workers, rows["worker"])
    rows = of_workers(rows, pool.workers + 1)
    # A damaged stream may hold any timestamps; they must be in order and within range.
    sound = (rows["spawned"] >= 0) & (rows["spawned"] <= rows["started"])
    sound &= (rows["spawned"] < end_ns) & (rows["owner"] < pool.workers)
    rows = {name: column[sound] for name, column in rows.items()}
    for name in ("started", "ended"):
        rows[name] = np.minimum(rows[name], end_ns + TOLERANCE_NS)
    return rows


def left_own_deque(rows: Rows) -> Bool:
    """Return which tasks left the deque of the worker that had spawned them."""
    owner, taken_from = rows["owner"], rows["taken_from"]
    own = (taken_from == OWN_DEQUE) & (rows["worker"] == owner)
    left = own | (taken_from == owner) | never_ran(rows["outcome"])
    return np.asarray((owner >= 0) & left, dtype=np.bool_)


def takes(rows: Rows, chosen: Bool) -> Takes:
    """Return the `chosen` takes of `rows`, judged among all of them.

    rows: task, owner, spawned, started, soonest, taken_from, shape (n,) each.
    """
    order = np.lexsort((rows["task"], rows["spawned"], rows["owner"]))
    rows, chosen = {name: column[order] for name, column in rows.items()}, chosen[order]
    stolen = rows["taken_from"] != OWN_DEQUE
    near = _others(rows, stolen)
    wrong = np.where(stolen, near.older, near.younger)
    at_end = ~np.where(stolen, near.maybe_older, near.maybe_younger)
    company = np.where(stolen, near.younger, near.older)
    alone = at_end & ~np.where(stolen, near.maybe_younger, near.maybe_older)
    judged = wrong | (at_end & company)
    return Takes(
        started_ns=rows["started"][chosen],
        owner=rows["owner"][chosen],
        stolen=stolen[chosen],
        from_oldest=near.from_oldest[chosen],
        from_newest=(near.length - 1 - near.from_oldest)[chosen],
        length=near.length[chosen],
        at_end=at_end[chosen],
        judged=judged[chosen],
        ambiguous=(~judged & ~alone)[chosen],
    )


class _Others(NamedTuple):
    """The other tasks in each task's deque when it was taken: surely there, and maybe there."""

    older: Bool
    maybe_older: Bool
    younger: Bool
    maybe_younger: Bool
    from_oldest: Int64
    length: Int64


def _others(rows: Rows, stolen: Bool) -> _Others:
    """Return the others for `rows`, which are ordered by deque and push."""
    base = int(rows["spawned"].min()) - TOLERANCE_NS if len(stolen) else 0
    span = int(rows["started"].max()) - base + 2 * TOLERANCE_NS if len(stolen) else 1

    def keys(timestamps: Int64) -> Int64:
        # Deque and timestamp in one number: the keys of an earlier deque are all smaller.
        return rows["owner"] * span + timestamps - base

    pushed, latest, earliest = keys(rows["spawned"]), keys(rows["started"]), keys(rows["soonest"])
    following = np.arange(1, len(stolen) + 1)
    until = np.searchsorted(pushed, latest, side="left")
    # A push has surely ended before a thief's take only if it is older by the tolerance.
    sure = np.searchsorted(pushed, np.where(stolen, earliest - TOLERANCE_NS, latest), side="left")
    return _Others(
        older=maximum_before(earliest) >= latest,
        maybe_older=maximum_before(latest) > earliest,
        younger=range_maximum(earliest, following, np.maximum(sure, following)) >= latest,
        maybe_younger=range_maximum(latest, following, np.maximum(until, following)) > earliest,
        from_oldest=larger_before(latest),
        length=until - np.searchsorted(np.sort(latest), latest, side="left"),
    )


def soonest(rows: Rows) -> Int64:
    """Return the earliest time at which each task can have been taken, in ns.

    rows: worker, started, ended of all tasks of these workers, shape (n,) each.
    """
    worker, started = rows["worker"], rows["started"]
    if not len(worker):
        return started
    base = int(started.min())
    span = int(max(started.max(), rows["ended"].max())) - base + 2
    edges = np.concatenate([worker, worker]) * span
    edges = np.sort(edges + np.concatenate([started, rows["ended"]]) - base)
    own = worker * span + started - base
    before = edges[np.maximum(np.searchsorted(edges, own, side="left") - 1, 0)]
    known = (before < own) & (before >= worker * span)
    earliest = started - TOLERANCE_NS
    return np.where(known, np.maximum(earliest, before - worker * span + base), earliest)
