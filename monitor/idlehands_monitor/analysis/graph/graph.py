"""Work and span of the recorded tasks: the task graph from parents, joins and hand-ins. Pure.

Work T1 is the time in tasks without joins; other waits count, since they hold the worker. Span T∞
is the longest chain of it. A task's chain begins with the length that its parent's chain had at the
spawn; after a join it goes on from the longer of its own chain and the joined task's
(R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720-748; T. H. Cormen, C. E. Leiserson,
R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition, section 27.1).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from idlehands.wire import MOVED

from ...ledger.rows import Recent, ran_to_end
from ...model.vocabulary import GraphGap
from ..stats.order_statistics import places_of
from .hand_ins import from_outside, submitters
from .paths import joined, longest_paths
from .strands import strands_of

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...ledger.rows import Rows
    from ...model.arrays import Int64
    from .hand_ins import HandIns
    from .paths import LongestPaths
    from .strands import Strands

MOST_TASKS = 400_000
"""Of a larger graph there is no figure: a chain cannot be estimated from a part of the tasks."""
MOST_LIVE_TASKS = 5_000
"""The same in a live view, which has less time, and whose window seldom holds a whole run."""
COLUMNS = ("task", "parent", "kind", "spawned_ns", "spawned_by", "started_ns", "ended_ns")


@dataclass(frozen=True, eq=False, slots=True)
class GraphArrays:
    """A graph's tasks (number and kind of each, by place), its strands and its longest paths."""

    numbers: Int64
    kinds: Int64
    strands: Strands
    paths: LongestPaths


@dataclass(frozen=True, slots=True)
class TaskGraph:
    """Work and span in ns; began_ns, ended_ns: the first spawn and the last end.

    last_root_ns: when the last task was handed in from outside. tasks: how many it has. whole:
    whether no other task ran in the window or spawned one of these. missing: what the rows do not
    show; each makes the span a lower bound.
    """

    work_ns: int
    span_ns: int
    began_ns: int
    ended_ns: int
    last_root_ns: int
    tasks: int
    whole: bool = True
    missing: tuple[GraphGap, ...] = ()
    arrays: GraphArrays | None = None

    @property
    def parallelism(self) -> float:
        """Work over span: how many workers could be kept busy on average."""
        return self.work_ns / self.span_ns if self.span_ns else 0.0

    def greedy_bound_ns(self, workers: int) -> float:
        """Return (T1 - T∞) / P + T∞: no greedy schedule takes longer (R. L. Graham 1966)."""
        return (self.work_ns - self.span_ns) / workers + self.span_ns


def task_graph(
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    most: int = MOST_TASKS,
    *,
    recorded: bool = True,
) -> TaskGraph | None:
    """Return the graph of the tasks that were spawned, began and ended in a window.

    `recorded`: whether no row of the window is missing. None without such a task, with more than
    `most`, and if one went to another pool.
    """
    chosen = _chosen(pool, begin_ns, end_ns)
    if chosen is None or len(chosen.rows["task"]) > most:
        return None
    rows = chosen.rows
    parents = _parents(pool, rows, begin_ns, recorded=recorded)
    strands = strands_of(rows, parents, Recent(pool.waits, begin_ns))
    explained = False
    if pool.shared_queue and recorded:
        found = from_outside(pool, rows, begin_ns, len(strands.at_ns))
        strands, explained = _with_hand_ins(strands, found), found.explained
    paths = longest_paths(
        strands.at_ns, joined(strands.strands, strands.others), strands.roots, strands.ends
    )
    gaps = _gaps(pool, rows, parents, strands.roots, explained=explained)
    gaps |= {GraphGap.LOST_ROWS: not recorded, GraphGap.CUT_TASKS: chosen.cut}
    spawned, from_others = rows["spawned_ns"], rows["parent"] < 0
    return TaskGraph(
        work_ns=strands.work_ns,
        span_ns=paths.span_ns,
        began_ns=int(spawned.min()),
        ended_ns=int(rows["ended_ns"].max()),
        last_root_ns=int(spawned[from_others].max()) if from_others.any() else int(spawned.min()),
        tasks=len(spawned),
        whole=not (chosen.cut or (~from_others & (parents < 0)).any()),
        missing=tuple(gap for gap in GraphGap if gaps[gap]),
        arrays=GraphArrays(rows["task"], rows["kind"], strands, paths),
    )


class _Chosen(NamedTuple):
    """The tasks of a graph by number. cut: whether others ran in the window, or still run."""

    rows: Rows
    cut: bool


def _chosen(pool: PoolLedger, begin_ns: int, end_ns: int) -> _Chosen | None:
    tasks = Recent(pool.tasks, begin_ns)
    ran = ran_to_end(tasks["outcome"])
    chosen = (tasks["spawned_ns"] >= begin_ns) & (tasks["ended_ns"] <= end_ns)
    if (tasks["outcome"][chosen] == MOVED).any():  # a part of the graph ran in another pool
        return None
    chosen &= ran
    number = tasks["task"][chosen]
    if not len(number):
        return None
    order = np.argsort(number, kind="stable")
    others = ran & ~chosen & (tasks["ended_ns"] > begin_ns) & (tasks["started_ns"] < end_ns)
    still = any(interval.what == "task" for worker in pool.open for interval in worker)
    return _Chosen(
        {name: tasks[name][chosen][order] for name in COLUMNS}, bool(others.any()) or still
    )


def _parents(pool: PoolLedger, rows: Rows, begin_ns: int, *, recorded: bool) -> Int64:
    """Return the place of the task that handed each one in, -1 where not known."""
    parents = places_of(rows["task"], rows["parent"])
    parents = np.where(parents < np.arange(len(parents)), parents, -1)  # numbers count up
    if not pool.shared_queue:
        return parents
    return np.where(parents < 0, submitters(pool, rows, begin_ns, recorded=recorded), parents)


def _with_hand_ins(strands: Strands, found: HandIns) -> Strands:
    return replace(
        strands,
        at_ns=np.concatenate([strands.at_ns, found.at_ns]),
        others=joined(strands.others, found.edges),
    )


def _gaps(
    pool: PoolLedger, rows: Rows, parents: Int64, roots: Int64, *, explained: bool
) -> dict[GraphGap, bool]:
    """Return what is not known of where tasks came from. explained: why those from outside did."""
    by_task = rows["spawned_by" if pool.shared_queue else "parent"] >= 0
    outside = rows["spawned_ns"][roots[~by_task[roots]]]
    return {
        GraphGap.UNKNOWN_PARENTS: bool((by_task & (parents < 0)).any()),
        GraphGap.UNKNOWN_HAND_INS: not explained and bool((outside > rows["ended_ns"].min()).any()),
    }
