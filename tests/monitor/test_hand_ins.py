"""Spans of pools with one queue: which hand-ins came after which ends, and which only seem to."""

from __future__ import annotations

import heapq
import random
from dataclasses import replace

import pytest
from test_graph import ATTEMPTS, searched

from histories import History, Task, frames, levels_frame, names_frame, take_in
from idlehands_monitor.analysis.graph.bounds import graph_reading
from idlehands_monitor.analysis.graph.graph import task_graph
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.vocabulary import GraphGap
from idlehands_monitor.views.sections.graph import graph
from idlehands_monitor.views.text import section_lines

MS = 1_000_000


def one_queue(history, **levels):
    """Return the ledger of a pool with one queue; `levels`: what its last levels frame has."""
    held = Ledger()
    names = names_frame(history.workers, "thread pool", shared_queue=True)
    rows = frames(history)[1:-1]
    take_in(held, names, *rows, levels_frame(history, **levels))
    assert held.skipped_frames == 0
    return held.pools[0]


def graph_of(history, begin=0, **options):
    return task_graph(one_queue(history), begin, history.end, **options)


def history_of(tasks, workers):
    return History(workers, max(task.ended for task in tasks) + 1, tasks)


class Queue:
    """Workers that take tasks in the order in which they were handed in."""

    def __init__(self, workers):
        self.workers = workers
        self.tasks = []
        self._free = [(0, worker) for worker in range(workers)]

    def hand_in(self, at, length):
        free, worker = heapq.heappop(self._free)
        started = max(at, free)
        self.tasks.append(Task(len(self.tasks), at, worker, started, started + length))
        heapq.heappush(self._free, (started + length, worker))
        return started + length

    def history(self):
        return history_of(self.tasks, self.workers)


def batches(sizes, workers, seed=0):
    """Return a run of batches, each handed in as soon as the one before has ended."""
    draw, queue, now = random.Random(seed), Queue(workers), 0
    for size in sizes:
        ends = [
            queue.hand_in(now + 2000 * place, draw.randint(MS, 3 * MS)) for place in range(size)
        ]
        now = max(ends) + draw.randint(20_000, 60_000)
    return queue.history()


def closed_stream(in_flight, workers, tasks=200, seed=0):
    """Return a run with so many tasks in flight: the next comes shortly after one has ended."""
    draw, queue, ends, at = random.Random(seed), Queue(workers), [], 0
    for number in range(tasks):
        at += 1000
        if number >= in_flight:
            at = max(at, heapq.heappop(ends) + draw.randint(5_000, 30_000))
        heapq.heappush(ends, queue.hand_in(at, draw.randint(MS, 5 * MS)))
    return queue.history()


def open_stream(load, workers, even, seed, tasks=200):
    """Return a run whose tasks come at their own pace; even: the share of a mean that is fixed."""
    draw, queue, at = random.Random(seed), Queue(workers), 0.0

    def some(fixed):
        return fixed + (1 - fixed) * draw.expovariate(1)

    for _ in range(tasks):
        at += some(even[0]) * MS / load / workers
        queue.hand_in(int(at), int(some(even[1]) * MS) + 1)
    return queue.history()


def test_a_batch_comes_after_every_task_of_the_one_before():
    history = batches([12, 12, 12], 4)
    lengths = [task.ended - task.started for task in history.tasks]
    found = graph_of(history)
    assert found.span_ns == sum(max(lengths[low : low + 12]) for low in (0, 12, 24))
    assert found.work_ns == sum(lengths)
    assert found.missing == ()


def test_batches_of_other_sizes_are_batches_too():
    history = batches([16, 5, 40, 1, 7], 8, seed=3)
    lengths = [task.ended - task.started for task in history.tasks]
    edges = (0, 16, 21, 61, 62, 69)
    spans = [max(lengths[low:high]) for low, high in zip(edges, edges[1:], strict=False)]
    assert graph_of(history).span_ns == sum(spans)


@pytest.mark.parametrize(("in_flight", "workers"), [(1, 1), (2, 2), (4, 4), (8, 4), (16, 8)])
def test_a_task_of_a_closed_stream_comes_after_the_end_that_made_room_for_it(in_flight, workers):
    history = closed_stream(in_flight, workers)
    by_end = sorted(range(len(history.tasks)), key=lambda place: history.tasks[place].ended)
    chain = []
    for place, task in enumerate(history.tasks):
        before = chain[by_end[place - in_flight]] if place >= in_flight else 0
        chain.append(before + task.ended - task.started)
    found = graph_of(history)
    assert found.span_ns == max(chain)
    assert found.missing == ()


def test_a_window_in_the_middle_of_a_closed_stream_shows_the_stream():
    history = closed_stream(4, 4)
    begin = history.tasks[50].spawned - 1
    found = graph_of(history, begin)
    assert found.span_ns > 0.5 * (history.end - begin)
    assert found.missing == (GraphGap.CUT_TASKS,)


EVEN = {"random": (0.0, 0.0), "clock": (1.0, 0.9), "alike": (1.0, 0.99), "even": (0.5, 0.0)}


@pytest.mark.parametrize("even", EVEN)
@pytest.mark.parametrize("workers", [1, 2, 8, 64])
@pytest.mark.parametrize("load", [0.1, 0.6, 0.9, 0.99, 1.1, 2.0])
def test_a_stream_at_its_own_pace_gets_no_edges_that_chance_made(load, workers, even):
    for seed in range(5):
        history = open_stream(load, workers, EVEN[even], seed)
        found = graph_of(history)
        assert found.span_ns == max(task.ended - task.started for task in history.tasks)
        assert found.missing == (GraphGap.UNKNOWN_HAND_INS,)


def test_a_few_hand_ins_show_nothing():
    found = graph_of(closed_stream(2, 2, tasks=12))
    assert len(found.arrays.strands.others.tail) == 0
    assert found.missing == (GraphGap.UNKNOWN_HAND_INS,)


def test_where_rows_are_missing_no_pattern_is_looked_for():
    found = graph_of(batches([12, 12, 12], 4), recorded=False)
    assert len(found.arrays.strands.others.tail) == 0
    assert GraphGap.LOST_ROWS in found.missing


def from_a_worker(spawned, **changes):
    """Task 0 runs from 0 to 100 on worker 0, which then hands in a task of 50."""
    child = Task(1, spawned, 1, 200, 250, spawned_by=0)
    return history_of([Task(0, 0, 0, 0, 100), replace(child, **changes)], 2)


def test_a_task_handed_in_by_a_worker_comes_from_the_task_that_it_was_in():
    found = graph_of(from_a_worker(40))
    assert (found.span_ns, found.missing) == (100, ())  # 40 + 50 is shorter than the first task
    assert graph_of(from_a_worker(90)).span_ns == 90 + 50


def test_a_task_handed_in_by_a_worker_after_a_task_comes_after_that_one():
    assert graph_of(from_a_worker(130)).span_ns == 100 + 50


def test_where_rows_are_missing_the_worker_may_have_been_in_another_task():
    found = graph_of(from_a_worker(130), recorded=False)
    assert found.span_ns == 100
    assert GraphGap.UNKNOWN_PARENTS in found.missing


def test_a_task_handed_in_by_a_worker_in_a_task_that_still_runs_has_an_unknown_parent():
    history = from_a_worker(130)
    running = [0, 2, -1, 0, 105, -1, -1, 110, -2]
    pool = one_queue(history, workers=[[running], []])
    found = task_graph(pool, 0, history.end)
    assert found.span_ns == 100
    assert GraphGap.UNKNOWN_PARENTS in found.missing


def test_a_task_handed_in_before_its_workers_first_task_has_an_unknown_parent():
    history = from_a_worker(130, spawned_by=1)
    assert graph_of(history).missing == (GraphGap.UNKNOWN_PARENTS,)


def test_the_section_says_which_way_the_figures_are_bounds():
    history = open_stream(0.5, 2, (0.0, 0.0), 0)
    time = replace(searched(2, 0), recorded_ns=history.end)
    held = graph_reading(one_queue(history), time, ATTEMPTS, 0, history.end)
    text = "\n".join(section_lines(graph(held)))
    assert (
        "Tinf is at least this long, and T1/Tinf at most this large: the rows do not show" in text
    )
