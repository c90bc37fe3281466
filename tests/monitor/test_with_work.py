"""How many other deques had work during a steal attempt: by hand and by a slow walk."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import source

from histories import NEVER, History, Task, frames, levels_frame, random_history, take_in
from idlehands.wire import IDLE_INTERVALS, OWN_DEQUE, encode_columns
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.stealing.with_work import victims_tried
from idlehands_monitor.ledger import Ledger

ATTEMPTS = 4


def ledger(history, attempts=lambda place: ATTEMPTS):
    """Return a ledger whose searches have so many attempts, by their place among a worker's."""
    held = Ledger()
    for frame in frames(history):
        if frame.get("table") == "gaps":
            mine = sorted(
                (
                    idle_interval
                    for idle_interval in history.idle_intervals
                    if idle_interval[0] == frame["worker"]
                ),
                key=lambda idle_interval: idle_interval[2],
            )
            rows = [
                (began, ended, int(parked), 0 if parked else attempts(place), -1, woken)
                for place, (_, began, ended, parked, woken) in enumerate(mine)
            ]
            columns = encode_columns(IDLE_INTERVALS.names, list(zip(*rows, strict=True)))
            take_in(held, {**frame, "columns": columns})
        else:
            take_in(held, frame)
    assert held.skipped_frames == 0
    return held


def found(history, begin=0, end=None):
    pool = ledger(history).pools[0]
    got = victims_tried(pool, begin, end or history.end)
    return got.attempts.tolist(), got.with_work.tolist()


def one_thief(*tasks, search=(20, 60)):
    """Return a pool of three in which worker 2 searches once."""
    return History(3, 100, list(tasks), idle_intervals=[(2, *search, False, -1)])


def test_a_deque_has_work_from_a_spawn_to_the_begin_of_that_task():
    task = Task(0, 30, 0, 50, 90, taken_from=OWN_DEQUE)
    assert found(one_thief(task)) == ([0, 0, 4], [0, 0, 4 / 2])


def test_a_stolen_task_was_in_its_victims_deque():
    task = Task(0, 10, 2, 60, 90, taken_from=1)
    assert found(one_thief(task)) == ([0, 0, 4], [0, 0, 4])


def test_a_task_of_the_inbox_was_in_no_deque():
    assert found(one_thief(Task(0, 10, 0, 60, 90)))[1] == [0, 0, 0]


def test_a_deque_with_two_tasks_counts_once_and_two_deques_twice():
    tasks = [Task(n, 10 + n, 0, 50 + n, 90, taken_from=OWN_DEQUE) for n in range(2)]
    assert found(one_thief(*tasks))[1] == [0, 0, 4 * 31 / 40]
    tasks[1] = replace(tasks[1], worker=1)
    assert found(one_thief(*tasks))[1] == pytest.approx([0, 0, 4 * (30 + 31) / 40])


def test_the_thiefs_own_deque_is_not_among_its_victims():
    assert found(one_thief(Task(0, 10, 2, 60, 90, taken_from=OWN_DEQUE)))[1] == [0, 0, 0]


def test_a_search_that_the_windows_edge_cuts_is_left_out():
    task = Task(0, 10, 0, 90, 95, taken_from=OWN_DEQUE)
    assert found(one_thief(task), begin=30) == ([0, 0, 0], [0, 0, 0])
    assert found(one_thief(task), end=50) == ([0, 0, 0], [0, 0, 0])
    assert found(one_thief(task), begin=20, end=60) == ([0, 0, 4], [0, 0, 4])


def test_a_search_shorter_than_the_clocks_resolution_is_beside_what_there_was_at_its_time():
    tasks = [Task(0, 10, 0, 30, 90, taken_from=OWN_DEQUE), Task(1, 30, 1, 70, 90, taken_from=1)]
    assert found(one_thief(*tasks, search=(29, 29)))[1] == [0, 0, 4]
    assert found(one_thief(*tasks, search=(30, 30)))[1] == [0, 0, 4]
    assert found(one_thief(*tasks, search=(70, 70)))[1] == [0, 0, 0]


def test_searches_count_by_their_attempts_and_not_by_their_length():
    history = one_thief(Task(0, 10, 0, 30, 90, taken_from=OWN_DEQUE), search=(20, 30))
    history.idle_intervals.append((2, 40, 99, False, -1))
    got = victims_tried(ledger(history, attempts=lambda place: (6, 2)[place]).pools[0], 0, 100)
    assert (got.attempts.tolist(), got.with_work.tolist()) == ([0, 0, 8], [0, 0, 6])


def test_an_open_task_was_in_its_deque_until_it_began():
    held = ledger(one_thief(search=(20, 60)))
    take_in(
        held, levels_frame(History(3, 100), workers=[[[0, 1, -1, 0, 30, 0, -1, 70, -1]], [], []])
    )
    got = victims_tried(held.pools[0], 0, 100)
    assert got.with_work.tolist() == [0, 0, 4 * 30 / 40]


def slow(history, begin, end):
    """Look at every nanosecond of every search, once in all where it has no length."""
    attempts, beside = [0] * history.workers, [Fraction(0)] * history.workers
    for worker, began, ended, parked, _ in history.idle_intervals:
        if parked or not begin <= began <= ended <= end:
            continue
        timestamps = range(began, max(ended, began + 1))
        for timestamp in timestamps:
            owners = {
                task.worker if task.taken_from == OWN_DEQUE else task.taken_from
                for task in history.tasks
                if task.started < NEVER and task.spawned <= timestamp < min(task.started, end)
            }
            others = {owner for owner in owners if owner >= 0} - {worker}
            beside[worker] += Fraction(ATTEMPTS * len(others), len(timestamps))
        attempts[worker] += ATTEMPTS
    return attempts, [float(value) for value in beside]


@given(st.integers(0, 3000), st.data())
def test_searches_and_deques_are_those_of_a_slow_walk(seed, data):
    history = random_history(seed)
    for task in history.tasks:
        if task.worker >= 0:
            task.taken_from = data.draw(st.sampled_from([-2, -1, *range(history.workers)]))
    begin = data.draw(st.integers(0, history.end - 1))
    end = data.draw(st.integers(begin + 1, history.end))
    attempts, beside = slow(history, begin, end)
    assert found(history, begin, end) == (attempts, pytest.approx(beside))


def test_attempts_at_random_are_the_others_over_those_with_work():
    task = Task(0, 30, 0, 50, 90, taken_from=OWN_DEQUE)
    (pool,) = read(ledger(one_thief(task)), source()).pools
    # For half of the search one of two others had work: two victims over half a deque.
    assert pool.stealing.attempts_at_random == pytest.approx(2 / 0.5)
    assert [thief.attempts_at_random for thief in pool.stealing.by_thief] == [None, None, 4.0]
