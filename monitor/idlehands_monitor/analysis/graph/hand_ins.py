"""Why tasks of a pool with one queue were handed in when they were: edges from ends to hand-ins.

Pure. Such a pool records no parents, but the rows show some of the reasons:

* The worker that handed a task in was in another task, or had just ended one (a call that the end
  set off).
* Batches with a barrier: a batch is handed in close together, and the next one soon after the last
  task of it has ended. Then every task of a batch comes after all of the one before.
* A closed stream: with one task handed in for each that ends, k in flight. Then the hand-in after k
  others and i more comes after the i-th end.

Chance makes such patterns in a stream that comes at its own pace, too. So a pattern counts only if
`MOST_CASES` of its cases show it; the limits are chosen. Where no pattern is found there is no
edge: a span that is too short is a bound, one that is too long is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ...ledger.queue_length import queued_at
from ...ledger.rows import Recent, never_ran, still_open
from ..stats.order_statistics import places_of
from .paths import Edges, joined, without_length

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...ledger.rows import Rows
    from ...model.arrays import Bool, Int64

MOST_CASES = 0.9
"""So large a share of the cases must show a pattern."""
SOON = 0.1
"""A batch comes soon after the last one if within this share of the time that one takes, on
average."""
CLOSE_TOGETHER = 0.25
"""A batch is handed in close together if within this share of the time it took."""
AT_AN_END = 0.05
"""A hand-in follows an end if within this share of the mean time from hand-in to end."""
CLOSER = 0.5
"""Hand-ins follow ends if the delays vary by at most this share of what the ends vary by."""
LEAST_VARIATION = 0.01
"""Ends at more even intervals than this, by their standard deviation, show nothing."""
LEAST_IN_BATCHES = 10
"""Fewer hand-ins in batches of two and more show no barrier."""
LEAST_CASES = 30
"""Fewer hand-ins than this show no closed stream; common practice, no source."""
ROUNDS = 2
"""A closed stream has gone round so often: less may be the beginning of a growing backlog."""


@dataclass(frozen=True, eq=False, slots=True)
class HandIns:
    """Edges to hand-ins, from ends or from more nodes: at_ns, when all before each had ended.

    explained: whether they show why every task came when it did.
    """

    at_ns: Int64
    edges: Edges
    explained: bool


class _Flow(NamedTuple):
    """Hand-ins from outside in the order of time, what was in the pool, and when tasks left it.

    places, at_ns: of the hand-ins. came: how many had come before each, with those that were in the
    pool at first. gone: how many had left. left_ns, left: when, and the place of the task or -1.
    """

    places: Int64
    at_ns: Int64
    came: Int64
    gone: Int64
    left_ns: Int64
    left: Int64


def submitters(pool: PoolLedger, rows: Rows, begin_ns: int, *, recorded: bool) -> Int64:
    """Return for each task the place of the task whose worker handed it in, -1 where not known.

    That worker was in this task or had ended it last. `recorded`: whether no row is missing; else
    only tasks that the worker was surely in count.
    """
    every = Recent(pool.tasks, begin_ns)
    found = np.full(len(rows["task"]), -1, dtype=np.int64)
    wanted = np.flatnonzero(rows["spawned_by"] >= 0)
    if not len(wanted):
        return found
    open_workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    begun = np.concatenate([every["started_ns"], np.array([i.began_ns for i in still], np.int64)])
    number = np.concatenate([every["task"], np.array([i.task for i in still], np.int64)])
    who = np.concatenate(
        [every["worker"], np.array(open_workers, np.int64), rows["spawned_by"][wanted]]
    )
    order = np.lexsort((np.concatenate([begun, rows["spawned_ns"][wanted]]), who))
    is_task = order < len(begun)
    last = np.maximum.accumulate(np.where(is_task, np.arange(len(order)), -1))
    asked = np.flatnonzero(~is_task & (last >= 0))
    asked = asked[who[order[asked]] == who[order[last[asked]]]]
    child = wanted[order[asked] - len(begun)]
    parent = places_of(rows["task"], number[order[last[asked]]])
    sure = (parent >= 0) & (parent < child)  # the numbers count up
    if not recorded:
        sure &= rows["spawned_ns"][child] <= rows["ended_ns"][parent]
    found[child[sure]] = parent[sure]
    return found


def from_outside(pool: PoolLedger, rows: Rows, begin_ns: int, nodes: int) -> HandIns:
    """Return what the hand-ins from outside waited for, as far as the rows show it.

    Every row of the window must be there. nodes: the number of the first node that it may add.
    """
    flow = _flow(pool, rows, begin_ns)
    found = _batches(rows, flow, nodes)
    if not len(found.edges.tail) and (rows["spawned_by"] < 0).all():
        found = _closed_stream(rows, flow)
    return found


def _flow(pool: PoolLedger, rows: Rows, begin_ns: int) -> _Flow:
    places = np.flatnonzero(rows["spawned_by"] < 0)
    places = places[np.argsort(rows["spawned_ns"][places], kind="stable")]
    at_ns = rows["spawned_ns"][places]
    every = Recent(pool.tasks, begin_ns)
    left_ns = np.where(never_ran(every["outcome"]), every["started_ns"], every["ended_ns"])
    order = np.argsort(left_ns, kind="stable")
    order = order[left_ns[order] >= begin_ns]
    left_ns = left_ns[order]
    _, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    at_first = queued_at(pool, begin_ns) + sum(i.began_ns < begin_ns for i in still)
    at_first += int(np.count_nonzero((every["started_ns"] < begin_ns)[order]))
    came = Recent(pool.spawns, begin_ns)["spawned_ns"]
    came = np.sort(came[came >= begin_ns], kind="stable")
    at_once = np.arange(len(at_ns)) - np.searchsorted(at_ns, at_ns)  # before it, at the same time
    return _Flow(
        places,
        at_ns,
        at_first + np.searchsorted(came, at_ns) + at_once,
        np.searchsorted(left_ns, at_ns, side="right"),
        left_ns,
        places_of(rows["task"], every["task"][order]),
    )


def _batches(rows: Rows, flow: _Flow, nodes: int) -> HandIns:
    """Return a node for each barrier: after all tasks of a batch, before all of the next one."""
    first = np.flatnonzero((flow.came == flow.gone) & (flow.gone > 0))  # nothing was in the pool
    first = first[first > 0]
    if not len(first):
        return _none()
    before = np.append(0, first[:-1])
    ended = flow.left_ns[flow.gone[first] - 1]
    took = ended - flow.at_ns[before]
    soon = flow.at_ns[first] - ended <= SOON * took.mean()
    shown = soon & (flow.at_ns[first - 1] - flow.at_ns[before] <= CLOSE_TOGETHER * took)
    several = first - before > 1  # one hand-in alone is always close together
    seen = int((first - before)[several].sum())
    if seen < LEAST_IN_BATCHES or shown[several].mean() < MOST_CASES:
        return _none()
    tasks = len(rows["task"])
    batch = np.searchsorted(flow.at_ns[first], rows["spawned_ns"], side="right")
    ends = np.flatnonzero(_any_of(shown, batch))
    comes = flow.places[_any_of(shown, batch[flow.places] - 1)]
    into = without_length(tasks + ends, nodes + batch[ends])
    edges = joined(into, without_length(nodes + batch[comes] - 1, comes))
    return HandIns(ended, edges, explained=bool(shown.all()))


def _any_of(shown: Bool, barrier: Int64) -> Bool:
    """Return which barriers are shown; there is none before the first and after the last one."""
    there = (barrier >= 0) & (barrier < len(shown))
    return np.asarray(there & shown[np.where(there, barrier, 0)], dtype=np.bool_)


def _closed_stream(rows: Rows, flow: _Flow) -> HandIns:
    """Return an edge for each hand-in after the first k, from the end that made room for it."""
    if not len(flow.came):
        return _none()
    in_flight = int((flow.came - flow.gone).max()) + 1
    end = flow.came - in_flight
    waited = np.flatnonzero(end >= 0)
    if len(waited) < max(LEAST_CASES, ROUNDS * in_flight):
        return _none()
    delay = flow.at_ns[waited] - flow.left_ns[end[waited]]
    in_pool = (rows["ended_ns"] - rows["spawned_ns"]).mean()
    if (delay <= AT_AN_END * in_pool).mean() < MOST_CASES:
        return _none()
    # A clock that hands in tasks of one length makes short delays, too; but then the hand-ins do
    # not move with the ends.
    between = np.diff(flow.left_ns[end[waited]])
    varies = between.std()
    follows = np.minimum(delay, AT_AN_END * in_pool).std() <= CLOSER * varies
    if not follows or varies < LEAST_VARIATION * between.mean():
        return _none()
    task = flow.left[end[waited]]
    known = task >= 0
    edges = without_length(len(rows["task"]) + task[known], flow.places[waited][known])
    return HandIns(np.empty(0, dtype=np.int64), edges, explained=True)


def _none() -> HandIns:
    nothing = np.empty(0, dtype=np.int64)
    return HandIns(nothing, without_length(nothing, nothing), explained=False)
