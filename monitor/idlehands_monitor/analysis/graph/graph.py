"""Work and span of what was recorded: the task graph from parents and joins.

Work T1 is the time in tasks, without the joins in it; a wait for anything else counts, for it
holds the worker. Span T∞ is the longest chain of it: a task's chain begins where its parent's
stood when it was spawned, and a join goes on from the later of its own chain and the joined task's
(R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720-748; T. H. Cormen, C. E. Leiserson,
R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition, section 27.1).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import MOVED

from ...ledger.rows import Recent, ran_to_end

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Int64

MOST_TASKS = 200_000
"""More than this are not walked: a chain cannot be had from a sample."""
MOST_LIVE_TASKS = 2_000
"""The same in a live view, which has no time for more; there a window is seldom a whole anyway."""
SPAWN, START, WAIT, END, RESUME = range(5)
"""What happens to a task, in the order that things at one moment have."""


@dataclass(frozen=True, slots=True)
class TaskGraph:
    """Nanoseconds of work and span, and when the first task was spawned and the last one ended.

    last_root_ns: when the last task was handed in from outside; tasks: how many were walked.
    whole: whether no other task ran in the window, nor spawned one of these.
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
    """Return the graph of the tasks that were spawned, begun and ended in a window.

    None where there is none, where there are more than `most`, and where one went to another pool.
    """
    tasks, waits = Recent(pool.tasks, begin_ns), Recent(pool.waits, begin_ns)
    ran = ran_to_end(tasks["outcome"])
    chosen = (tasks["spawned_ns"] >= begin_ns) & (tasks["ended_ns"] <= end_ns)
    if (tasks["outcome"][chosen] == MOVED).any():  # a part of the graph ran in another pool
        return None
    chosen &= ran
    number = tasks["task"][chosen]
    if not 0 < len(number) <= most:
        return None
    order = np.argsort(number, kind="stable")
    number = number[order]
    spawned, started, ended, parent = (
        tasks[name][chosen][order] for name in ("spawned_ns", "started_ns", "ended_ns", "parent")
    )
    joins = waits["on_task"] >= 0  # in any other wait the clock runs on
    waiting = np.where(joins, _place(number, waits["task"]), -1)
    inside = waiting >= 0
    cut = ran & ~chosen & (tasks["ended_ns"] > begin_ns) & (tasks["started_ns"] < end_ns)
    still = any(interval.what == "task" for worker in pool.open for interval in worker)
    places = _place(number, parent)
    walk = _Walk(len(number), places)
    walk.take(SPAWN, np.arange(len(number)), spawned)
    walk.take(START, np.arange(len(number)), started)
    walk.take(END, np.arange(len(number)), ended)
    joined = _place(number, waits["on_task"][inside])
    walk.take(WAIT, waiting[inside], waits["began_ns"][inside])
    walk.take(RESUME, waiting[inside], waits["ended_ns"][inside], joined)
    work, span = walk.run()
    roots = parent < 0
    return TaskGraph(
        work_ns=work,
        span_ns=span,
        began_ns=int(spawned.min()),
        ended_ns=int(ended.max()),
        last_root_ns=int(spawned[roots].max()) if roots.any() else int(spawned.min()),
        tasks=len(number),
        whole=not (cut.any() or still or ((parent >= 0) & (places < 0)).any()),
    )


def _place(numbers: Int64, wanted: Int64) -> Int64:
    """Return the place of each wanted number among sorted ones, -1 where it is not there."""
    place = np.minimum(np.searchsorted(numbers, wanted), len(numbers) - 1)
    return np.where(numbers[place] == wanted, place, -1)


class _Walk:
    """Goes through everything that happened to the tasks in the order of time."""

    def __init__(self, tasks: int, parents: Int64) -> None:
        self._chain = [0] * tasks  # each task's chain up to `_since`, in nanoseconds
        self._since = [-1] * tasks  # from when its clock runs, -1 while it stands
        self._work = 0
        self._parents = parents.tolist()
        self._events: list[tuple[Int64, Int64, Int64, Int64]] = []

    def take(self, what: int, task: Int64, at_ns: Int64, more: Int64 | None = None) -> None:
        """Add things that happened; `more` says for a resume which task had been joined."""
        more = np.full(len(task), -1) if more is None else more
        self._events.append((at_ns, np.full(len(task), what), task, more))

    def run(self) -> tuple[int, int]:
        """Return (work, span)."""
        at_ns, what, task, more = (np.concatenate(part) for part in zip(*self._events, strict=True))
        order = np.lexsort((what, at_ns))
        span = 0
        columns = (column[order].tolist() for column in (at_ns, what, task, more))
        for moment, event, place, joined in zip(*columns, strict=True):
            if event == SPAWN:
                self._spawn(moment, place)
            elif event == START:
                self._since[place] = moment
            elif event == RESUME:
                self._resume(moment, place, joined)
            else:
                self._stop(moment, place)
                span = max(span, self._chain[place])
        return self._work, span

    def _spawn(self, moment: int, place: int) -> None:
        parent = self._parents[place]
        if parent >= 0:
            running = moment - self._since[parent] if self._since[parent] >= 0 else 0
            self._chain[place] = self._chain[parent] + running

    def _stop(self, moment: int, place: int) -> None:
        if self._since[place] >= 0:
            ran = moment - self._since[place]
            self._chain[place] += ran
            self._work += ran
        self._since[place] = -1

    def _resume(self, moment: int, place: int, joined: int) -> None:
        if joined >= 0:
            self._chain[place] = max(self._chain[place], self._chain[joined])
        self._since[place] = moment
