"""How many other deques had work while a worker searched: by hand and by a slow walk."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import source

from histories import NEVER, History, Task, ledger, levels_frame, random_history
from idlehands.wire import OWN_DEQUE
from idlehands_monitor.analysis.read import read
from idlehands_monitor.analysis.with_work import searched


def found(history, begin=0, end=None):
    pool = ledger(history).pools[0]
    got = searched(pool, begin, end or history.end)
    return got.searching.tolist(), got.with_work.tolist()


def one_thief(*tasks, search=(20, 60)):
    """Return a pool of three in which worker 2 searches once."""
    return History(3, 100, list(tasks), gaps=[(2, *search, False, -1)])


def test_a_deque_has_work_from_a_spawn_to_the_begin_of_that_task():
    task = Task(0, 30, 0, 50, 90, taken_from=OWN_DEQUE)
    assert found(one_thief(task)) == ([0, 0, 40], [0, 0, 20])


def test_a_stolen_task_was_in_its_victims_deque():
    task = Task(0, 10, 2, 60, 90, taken_from=1)
    assert found(one_thief(task)) == ([0, 0, 40], [0, 0, 40])


def test_a_task_of_the_inbox_was_in_no_deque():
    assert found(one_thief(Task(0, 10, 0, 60, 90)))[1] == [0, 0, 0]


def test_a_deque_with_two_tasks_counts_once_and_two_deques_twice():
    tasks = [Task(n, 10 + n, 0, 50 + n, 90, taken_from=OWN_DEQUE) for n in range(2)]
    assert found(one_thief(*tasks))[1] == [0, 0, 31]
    tasks[1] = replace(tasks[1], worker=1)
    assert found(one_thief(*tasks))[1] == [0, 0, 30 + 31]


def test_the_thiefs_own_deque_is_none_that_it_can_look_at():
    assert found(one_thief(Task(0, 10, 2, 60, 90, taken_from=OWN_DEQUE)))[1] == [0, 0, 0]


def test_a_search_is_cut_at_the_windows_edges():
    task = Task(0, 10, 0, 90, 95, taken_from=OWN_DEQUE)
    assert found(one_thief(task), begin=30, end=50) == ([0, 0, 20], [0, 0, 20])


def test_an_open_task_was_in_its_deque_until_it_began():
    held = ledger(one_thief(search=(20, 60)))
    held.apply(levels_frame(History(3, 100), workers=[[[0, 1, -1, 0, 30, 0, -1, 70, -1]], [], []]))
    got = searched(held.pools[0], 0, 100)
    assert got.with_work.tolist() == [0, 0, 30]


def slow(history, begin, end):
    """Look at every nanosecond."""
    time, beside = [0] * history.workers, [0] * history.workers
    for worker, began, ended, parked, _ in history.gaps:
        for moment in range(max(began, begin), min(ended, end)):
            if not parked:
                owners = {
                    task.worker if task.taken_from == OWN_DEQUE else task.taken_from
                    for task in history.tasks
                    if task.started < NEVER and task.spawned <= moment < task.started
                }
                time[worker] += 1
                beside[worker] += len({owner for owner in owners if owner >= 0} - {worker})
    return time, beside


@given(st.integers(0, 3000), st.data())
def test_searches_and_deques_are_those_of_a_slow_walk(seed, data):
    history = random_history(seed)
    for task in history.tasks:
        if task.worker >= 0:
            task.taken_from = data.draw(st.sampled_from([-2, -1, *range(history.workers)]))
    begin = data.draw(st.integers(0, history.end - 1))
    end = data.draw(st.integers(begin + 1, history.end))
    assert found(history, begin, end) == slow(history, begin, end)


def test_looks_at_random_are_the_others_over_those_with_work():
    task = Task(0, 30, 0, 50, 90, taken_from=OWN_DEQUE)
    (pool,) = read(ledger(one_thief(task)), source()).pools
    # Half of the search one of two others had work: two victims over half a deque.
    assert pool.stealing.looks_at_random == pytest.approx(2 / 0.5)
    assert [thief.looks_at_random for thief in pool.stealing.by_thief] == [None, None, 4.0]
