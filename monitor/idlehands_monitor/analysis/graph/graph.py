"""Work and span of the recorded tasks: the task graph from parents and joins. Pure.

Work T1 is the time in tasks without joins; other waits count, since they hold the worker. Span T∞
is the longest chain of it. A task's chain begins with the length that its parent's chain had at the
spawn; after a join it goes on from the longer of its own chain and the joined task's
(R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720-748; T. H. Cormen, C. E. Leiserson,
R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition, section 27.1).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import MOVED

from ...ledger.rows import Recent, ran_to_end
from ..stats.order_statistics import places_of

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...ledger.rows import Rows
    from ...model.arrays import Int64

MOST_TASKS = 200_000
"""A larger graph is not walked: a chain cannot be estimated from a part of the tasks."""
MOST_LIVE_TASKS = 2_000
"""The same in a live view, which has less time, and whose window seldom holds a whole run."""
COLUMNS = ("task", "parent", "spawned_ns", "started_ns", "ended_ns")
SPAWN, START, WAIT, END, RESUME = range(5)
"""Events of a task, in the order of events with the same timestamp."""


@dataclass(frozen=True, slots=True)
class TaskGraph:
    """Work and span in ns; began_ns, ended_ns: the first spawn and the last end.

    last_root_ns: when the last task was handed in from outside. tasks: how many were walked.
    whole: whether no other task ran in the window or spawned one of these.
    """

    work_ns: int
    span_ns: int
    began_ns: int
    ended_ns: int
    last_root_ns: int
    tasks: int
    whole: bool = True

    @property
    def parallelism(self) -> float:
        """Work over span: how many workers could be kept busy on average."""
        return self.work_ns / self.span_ns if self.span_ns else 0.0

    def greedy_bound_ns(self, workers: int) -> float:
        """Return (T1 - T∞) / P + T∞: no greedy schedule takes longer (R. L. Graham 1966)."""
        return (self.work_ns - self.span_ns) / workers + self.span_ns


def task_graph(
    pool: PoolLedger, begin_ns: int, end_ns: int, most: int = MOST_TASKS
) -> TaskGraph | None:
    """Return the graph of the tasks that were spawned, began and ended in a window.

    None without such a task, with more than `most`, and if one went to another pool.
    """
    tasks = Recent(pool.tasks, begin_ns)
    ran = ran_to_end(tasks["outcome"])
    chosen = (tasks["spawned_ns"] >= begin_ns) & (tasks["ended_ns"] <= end_ns)
    if (tasks["outcome"][chosen] == MOVED).any():  # a part of the graph ran in another pool
        return None
    chosen &= ran
    number = tasks["task"][chosen]
    if not 0 < len(number) <= most:
        return None
    order = np.argsort(number, kind="stable")
    rows = {name: tasks[name][chosen][order] for name in COLUMNS}
    places = places_of(rows["task"], rows["parent"])
    work, span = _walked(rows, places, Recent(pool.waits, begin_ns))
    others = ran & ~chosen & (tasks["ended_ns"] > begin_ns) & (tasks["started_ns"] < end_ns)
    still = any(interval.what == "task" for worker in pool.open for interval in worker)
    roots = rows["parent"] < 0
    spawned = rows["spawned_ns"]
    return TaskGraph(
        work_ns=work,
        span_ns=span,
        began_ns=int(spawned.min()),
        ended_ns=int(rows["ended_ns"].max()),
        last_root_ns=int(spawned[roots].max()) if roots.any() else int(spawned.min()),
        tasks=len(number),
        whole=not (others.any() or still or (~roots & (places < 0)).any()),
    )


def _walked(rows: Rows, parents: Int64, waits: Recent) -> tuple[int, int]:
    """Return (work, span) of tasks sorted by number; `parents`: places of their parents or -1."""
    number = rows["task"]
    every = np.arange(len(number))
    walk = _Walk(len(number), parents)
    walk.take(SPAWN, every, rows["spawned_ns"])
    walk.take(START, every, rows["started_ns"])
    walk.take(END, every, rows["ended_ns"])
    # In other waits than joins the clock runs on.
    waiting = np.where(waits["on_task"] >= 0, places_of(number, waits["task"]), -1)
    inside = waiting >= 0
    joined = places_of(number, waits["on_task"][inside])
    walk.take(WAIT, waiting[inside], waits["began_ns"][inside])
    walk.take(RESUME, waiting[inside], waits["ended_ns"][inside], joined)
    return walk.run()


class _Walk:
    """Goes through all events of the tasks in the order of time."""

    def __init__(self, tasks: int, parents: Int64) -> None:
        self._chain = [0] * tasks  # each task's chain up to `_since`, in nanoseconds
        self._since = [-1] * tasks  # when its clock started, -1 while it stands
        self._work = 0
        self._parents = parents.tolist()
        self._events: list[tuple[Int64, Int64, Int64, Int64]] = []

    def take(self, what: int, task: Int64, at_ns: Int64, more: Int64 | None = None) -> None:
        """Add events of one sort; `more`: for a resume, the place of the joined task."""
        more = np.full(len(task), -1) if more is None else more
        self._events.append((at_ns, np.full(len(task), what), task, more))

    def run(self) -> tuple[int, int]:
        """Return (work, span)."""
        at_ns, what, task, more = (np.concatenate(part) for part in zip(*self._events, strict=True))
        order = np.lexsort((what, at_ns))
        span = 0
        columns = (column[order].tolist() for column in (at_ns, what, task, more))
        for at, event, place, joined in zip(*columns, strict=True):
            if event == SPAWN:
                self._spawn(at, place)
            elif event == START:
                self._since[place] = at
            elif event == RESUME:
                self._resume(at, place, joined)
            else:
                self._stop(at, place)
                span = max(span, self._chain[place])
        return self._work, span

    def _spawn(self, at: int, place: int) -> None:
        parent = self._parents[place]
        if parent >= 0:
            running = at - self._since[parent] if self._since[parent] >= 0 else 0
            self._chain[place] = self._chain[parent] + running

    def _stop(self, at: int, place: int) -> None:
        if self._since[place] >= 0:
            ran = at - self._since[place]
            self._chain[place] += ran
            self._work += ran
        self._since[place] = -1

    def _resume(self, at: int, place: int, joined: int) -> None:
        if joined >= 0:
            self._chain[place] = max(self._chain[place], self._chain[joined])
        self._since[place] = at
