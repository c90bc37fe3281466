"""Work, span and the greedy bound of recorded graphs, against textbook values.

T. H. Cormen, C. E. Leiserson, R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition,
section 27.1 (P-FIB: work 4F(n+1) - 3, span 2n; values recalled and recomputed) and theorem 27.1
(R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581).
"""

from __future__ import annotations

import pytest
from readings import steal_counts

from histories import History, frames, take_in
from idlehands.wire import TASKS, WAITS, encode_columns
from idlehands_monitor.analysis.graph.bounds import graph_reading, steal_bound
from idlehands_monitor.analysis.graph.graph import TaskGraph, task_graph
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.worker_time import PoolTime, no_time
from idlehands_monitor.views.sections.graph import graph
from idlehands_monitor.views.text import sentence_lines


class SerialFib:
    """P-FIB with strands of one nanosecond, run by one worker that helps with what it joins."""

    def __init__(self):
        self.now = 0
        self.tasks, self.waits = [], []

    def spawn(self, n, parent):
        task = {"n": n, "parent": parent, "spawned": self.now, "number": len(self.tasks)}
        self.tasks.append(task)
        return task

    def run(self, task):
        task["started"] = self.now
        self.now += 1
        if task["n"] > 1:
            first = self.spawn(task["n"] - 1, task["number"])
            self.now += 1
            second = self.spawn(task["n"] - 2, task["number"])
            for child in (second, first):  # the newest first, as an owner takes them
                began = self.now
                self.run(child)
                self.waits.append((task["number"], began, self.now, child["number"]))
            self.now += 1
        task["ended"] = self.now


def recorded(tasks, waits, workers, end):
    """Return the ledger of a pool: tasks as maps, waits as (task, began, ended, on_task)."""
    held = Ledger()
    for frame in frames(History(workers, end)):
        take_in(held, frame)
    for worker in range(workers):
        mine = [task for task in tasks if task.get("worker", 0) == worker]
        rows = [
            (
                *(t["number"], t["parent"], t.get("kind", 0), t["spawned"], 0, -1),
                *(t["started"], t["ended"], -1, -1, 0),
            )
            for t in mine
        ]
        numbers = {task["number"] for task in mine}
        some = [(task, began, ended, on, 1) for task, began, ended, on in waits if task in numbers]
        for table, values in ((TASKS, rows), (WAITS, some)):
            if values:
                base = {"frame": "rows", "pool": 0, "first": 0, "complete_ns": end}
                columns = encode_columns(table.names, list(zip(*values, strict=True)))
                base = {**base, "worker": worker, "table": table.name, "rows": len(values)}
                take_in(held, {**base, "columns": columns})
    assert held.skipped_frames == 0
    return held.pools[0]


def fib_ledger(n):
    fib = SerialFib()
    fib.run(fib.spawn(n, -1))
    return recorded(fib.tasks, fib.waits, 1, fib.now), fib.now


def fibonacci(n):
    a, b = 0, 1
    for _ in range(n):
        a, b = b, a + b
    return a


@pytest.mark.parametrize("n", [0, 1, 2, 3, 4, 5, 6, 8, 10, 15, 20])
def test_work_and_span_of_fib_are_those_of_the_book(n):
    pool, end = fib_ledger(n)
    graph = task_graph(pool, 0, end)
    assert graph.work_ns == 4 * fibonacci(n + 1) - 3
    assert graph.span_ns == (2 * n if n > 1 else 1)
    assert graph.tasks == 2 * fibonacci(n + 1) - 1


def test_the_parallelism_of_fib_4_is_that_of_the_book():
    pool, end = fib_ledger(4)
    graph = task_graph(pool, 0, end)
    assert (graph.work_ns, graph.span_ns, graph.parallelism) == (17, 8, 2.125)


@pytest.mark.parametrize(
    ("work", "span", "workers", "bound"),
    # The chess lesson's programs (section 27.1), T1 in seconds: (T1 - Tinf)/P + Tinf by hand.
    [(2048, 1, 32, 2047 / 32 + 1), (1024, 8, 32, 1016 / 32 + 8), (1024, 8, 512, 1016 / 512 + 8)],
)
def test_the_greedy_bound_is_grahams(work, span, workers, bound):
    graph = TaskGraph(work, span, 0, 0, 0, 1)
    assert graph.greedy_bound_ns(workers) == pytest.approx(bound)


def listed(times, parents, workers):
    """Return (tasks, end) of a greedy list schedule; a task spawns its children as it ends."""
    tasks = [{"number": n, "parent": parents.get(n, -1)} for n in range(len(times))]
    ready = [task for task in tasks if task["parent"] < 0]
    for task in ready:
        task["spawned"] = 0
    free, running, now = list(range(workers)), [], 0
    while ready or running:
        while free and ready:
            ready.sort(key=lambda task: task["number"])
            task, worker = ready.pop(0), free.pop(0)
            task.update(worker=worker, started=now, ended=now + times[task["number"]])
            running.append(task)
        running.sort(key=lambda task: (task["ended"], task["worker"]))
        ended = running.pop(0)
        now = ended["ended"]
        free = sorted([*free, ended["worker"]])
        for task in tasks:
            if task["parent"] == ended["number"]:
                task["spawned"] = now
                ready.append(task)
    return tasks, now


@pytest.mark.parametrize("workers", [1, 2, 3, 4, 5])
def test_a_greedy_schedule_of_grahams_nine_tasks_stays_within_the_bound(workers):
    """R. L. Graham 1969, SIAM J. Appl. Math. 17(2):416-429: work 34, span 12."""
    times = [3, 2, 2, 2, 4, 4, 4, 4, 9]
    tasks, end = listed(times, {8: 0, 4: 3, 5: 3, 6: 3, 7: 3}, workers)
    graph = task_graph(recorded(tasks, [], workers, end), 0, end)
    assert (graph.work_ns, graph.span_ns) == (34, 12)
    assert max(graph.work_ns / workers, graph.span_ns) <= end <= graph.greedy_bound_ns(workers)
    # Three processors: 12, the printed optimum (found in public copies); one: the work.
    assert {3: 12, 1: 34}.get(workers, end) == end


def test_a_graph_with_nothing_in_it_is_none():
    held = Ledger()
    for frame in frames(History(1, 100)):
        take_in(held, frame)
    assert task_graph(held.pools[0], 0, 100) is None


ATTEMPTS = steal_counts(
    hits=((0, 2), (1, 0)), empties=((0, 5), (0, 0)), lost_races=((0, 0), (2, 0))
)


def test_attempts_are_compared_with_the_span_in_units_of_an_attempt_times_the_workers():
    # 10 attempts in 1000 ns of searching: 100 ns each, so a span of 5000 ns is 50 and P*Tinf 100.
    bound = steal_bound(TaskGraph(8000, 5000, 0, 9000, 0, 20), 2, 1000, ATTEMPTS)
    assert (bound.attempts, bound.hits) == (10, 3)
    assert (bound.unit_span, bound.bound, bound.share) == pytest.approx((50, 100, 0.1))


def test_without_attempts_nothing_is_compared_with_the_bound():
    nobody = steal_counts([[0]], [[0]], [[0]])
    assert steal_bound(TaskGraph(8000, 5000, 0, 9000, 0, 20), 1, 0, nobody) is None


def searched(workers, searching_ns):
    by_category = no_time(workers).by_category.copy()
    by_category[4, 0] = searching_ns
    return PoolTime(by_category)


def read_graph(late_ns):
    """Two tasks of 100 ns from outside, the second of them so late, on two workers."""
    times = [100, 100]
    tasks, end = listed(times, {}, 2)
    tasks[1].update(spawned=late_ns, started=late_ns, ended=late_ns + 100)
    pool = recorded(tasks, [], 2, end + late_ns)
    return graph_reading(pool, searched(2, 1000), ATTEMPTS, 0, end + late_ns)


def test_steals_are_held_against_the_bound_only_where_all_work_was_there_at_once():
    assert read_graph(0).steals.bound == pytest.approx(2 * 100 / 100)
    assert not read_graph(50).at_once
    assert read_graph(50).steals is None


def test_the_lines_say_every_bound_with_its_source_or_why_there_is_none():
    text = "\n".join(sentence_lines(graph(read_graph(0))))
    for fragment in ("T1 0.2 µs", "T1/Tinf 2.0", "T1/P = ", "Graham 1966", "5.0 P*Tinf", "Blumofe"):
        assert fragment in text
    late = "\n".join(sentence_lines(graph(read_graph(50))))
    assert "holds only where all work is there at the start" in late
    assert "Graham" not in late
    assert graph(None) is None


def test_a_computation_that_the_window_cuts_is_not_whole_and_has_no_bounds():
    pool, end = fib_ledger(6)
    assert task_graph(pool, 0, end).whole
    assert not task_graph(pool, 1, end).whole  # the root was spawned before
    assert not task_graph(pool, 0, end - 1).whole  # and has not ended here
    cut = graph_reading(pool, searched(1, 1000), ATTEMPTS, 1, end)
    assert cut.steals is None
    assert "no other tasks run" in sentence_lines(graph(cut))[-1]


def test_more_tasks_than_asked_for_are_not_walked():
    pool, end = fib_ledger(6)
    count = task_graph(pool, 0, end).tasks
    assert task_graph(pool, 0, end, count) is not None
    assert task_graph(pool, 0, end, count - 1) is None
