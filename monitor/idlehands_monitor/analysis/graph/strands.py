"""The strand graph of recorded tasks as arrays: what each task did between spawns and joins.

Pure. A strand is a stretch of one task in which it neither hands in a task nor joins one (T. H.
Cormen, C. E. Leiserson, R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition, section
27.1). Nodes are its ends: a task was handed in, it went on after a join, it ended. A task handed in
by another one is a node in both: there the other one goes on, and from there this one can run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..stats.order_statistics import places_of
from .paths import Edges, joined, without_length

if TYPE_CHECKING:
    from ...ledger.rows import Recent, Rows
    from ...model.arrays import Bool, Int64


@dataclass(frozen=True, eq=False, slots=True)
class Strands:
    """A graph of n tasks: node i is the hand-in of task i, node n + i its end, others resume it.

    at_ns: when each node was recorded. strands: of each task in order, the tasks in order. owner:
    the task of each strand. others: joins, and hand-ins after the end of the task that made them.
    roots: tasks that no recorded task handed in.
    """

    tasks: int
    at_ns: Int64
    strands: Edges
    owner: Int64
    others: Edges
    roots: Int64

    @property
    def ends(self) -> Int64:
        """The node of each task's end."""
        return np.arange(self.tasks, 2 * self.tasks)

    @property
    def work_ns(self) -> int:
        """T1: all strands together."""
        return int(self.strands.length_ns.sum())


@dataclass(frozen=True, eq=False, slots=True)
class _Joins:
    """Waits of recorded tasks for a task; joined: its place, -1 where it is not recorded."""

    waiter: Int64
    began_ns: Int64
    ended_ns: Int64
    joined: Int64


def strands_of(rows: Rows, parents: Int64, waits: Recent) -> Strands:
    """Return the graph of tasks sorted by number; `parents`: the places of their parents, or -1.

    A parent comes before its children. In other waits than joins a strand goes on.
    """
    tasks = len(rows["task"])
    every = np.arange(tasks)
    handed_in = np.minimum(rows["spawned_ns"], rows["started_ns"])
    begun = (parents >= 0) & (handed_in >= rows["started_ns"][parents])
    inside = begun & (handed_in <= rows["ended_ns"][parents])
    later = begun & ~inside  # a call that the end of a task set off
    joins = _joins(rows, waits)
    strands, owner = _chains(rows, handed_in, parents, inside, joins)
    resumed = 2 * tasks + np.arange(len(joins.waiter))
    known = joins.joined >= 0
    # A pool may stamp the end of a task after it has woken the one that joins it.
    others = joined(
        without_length(tasks + joins.joined[known], resumed[known]),
        without_length(tasks + parents[later], every[later]),
    )
    at_ns = np.concatenate([handed_in, rows["ended_ns"], joins.ended_ns])
    return Strands(tasks, at_ns, strands, owner, others, every[~begun])


def _joins(rows: Rows, waits: Recent) -> _Joins:
    number = rows["task"]
    waiter = np.where(waits["on_task"] >= 0, places_of(number, waits["task"]), -1)
    inside = waiter >= 0
    waiter = waiter[inside]
    low, high = rows["started_ns"][waiter], rows["ended_ns"][waiter]
    return _Joins(
        waiter,
        np.clip(waits["began_ns"][inside], low, high),
        np.clip(waits["ended_ns"][inside], low, high),
        places_of(number, waits["on_task"][inside]),
    )


def _chains(
    rows: Rows, handed_in: Int64, parents: Int64, inside: Bool, joins: _Joins
) -> tuple[Edges, Int64]:
    """Return the strands of all tasks, and the task of each."""
    tasks = len(handed_in)
    every, children = np.arange(tasks), np.flatnonzero(inside)
    resumed = 2 * tasks + np.arange(len(joins.waiter))
    # Who, when, its node (-1 for none), by how many its open joins change; ties stay in this order.
    parts = (
        (every, rows["started_ns"], every, 0),
        (parents[children], handed_in[children], children, 0),
        (joins.waiter, joins.began_ns, np.full(len(resumed), -1), 1),
        (joins.waiter, joins.ended_ns, resumed, -1),
        (every, rows["ended_ns"], tasks + every, 0),
    )
    who, at_ns, node = (np.concatenate([part[column] for part in parts]) for column in range(3))
    change = np.concatenate([np.full(len(part[0]), part[3]) for part in parts])
    order = np.lexsort((at_ns, who))
    who, at_ns, node, change = (column[order] for column in (who, at_ns, node, change))
    runs = (who[1:] == who[:-1]) & (np.cumsum(change)[:-1] == 0)
    clock = np.zeros(len(who), dtype=np.int64)  # all tasks one after another, without joins
    np.cumsum(np.where(runs, at_ns[1:] - at_ns[:-1], 0), out=clock[1:])
    who, node, clock = (column[node >= 0] for column in (who, node, clock))
    same = who[1:] == who[:-1]
    lengths = clock[1:] - clock[:-1]
    return Edges(node[:-1][same], node[1:][same], lengths[same]), who[1:][same]
