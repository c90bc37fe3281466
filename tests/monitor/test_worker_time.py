"""Worker time: the vectorised sweep against a slow one, exact closure, and scripted pools."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from histories import History, Task, ledger, random_history, scaled, slow_worker_time
from idlehands_monitor.analysis.stats.rounding import round_to_total
from idlehands_monitor.analysis.time.history import PoolHistory
from idlehands_monitor.analysis.time.worker_time import pool_time, slice_times
from idlehands_monitor.ledger import HostCounters
from idlehands_monitor.ledger.queue_length import queued_at
from idlehands_monitor.model.worker_time import WorkerTime

seeds = st.integers(0, 2**32)


def time_of(history: History, begin: int = 0, end: int | None = None, **options: object):
    held = ledger(history, **options)
    return pool_time(held.pools[0], held.host, begin, history.end if end is None else end)


@settings(max_examples=200)
@given(seeds)
def test_sweep_equals_the_slow_reference(seed):
    history = random_history(seed)
    expected = slow_worker_time(history, 0, history.end)
    assert asdict(time_of(history).pool) == expected


@settings(max_examples=100)
@given(seeds, st.data())
def test_sweep_of_any_window_equals_the_slow_reference(seed, data):
    history = random_history(seed)
    begin = data.draw(st.integers(0, history.end - 1))
    end = data.draw(st.integers(begin + 1, history.end))
    expected = slow_worker_time(history, begin, end)
    assert asdict(time_of(history, begin, end).pool) == expected


@settings(max_examples=100)
@given(seeds)
def test_categories_are_not_negative_and_add_up_exactly(seed):
    history = random_history(seed)
    time = time_of(history)
    assert all(value >= 0 for value in asdict(time.pool).values())
    assert time.pool.total == history.workers * history.end
    for worker in time.per_worker:
        assert worker.total == history.end
        assert min(asdict(worker).values()) >= 0


@settings(max_examples=100)
@given(seeds, st.integers(1, 7), st.integers(0, 2**16))
def test_batching_and_arrival_order_change_nothing(seed, batch, order):
    history = random_history(seed)
    assert time_of(history, batch=batch, seed=order).per_worker == time_of(history).per_worker


@settings(max_examples=100)
@given(seeds, st.data())
def test_windows_side_by_side_add_up_to_the_window_around_them(seed, data):
    history = random_history(seed)
    middle = data.draw(st.integers(1, history.end - 1))
    left, right = time_of(history, 0, middle), time_of(history, middle, history.end)
    assert left.pool + right.pool == time_of(history).pool


@settings(max_examples=60)
@given(seeds, st.data())
def test_slices_are_what_each_stretch_gives_by_itself(seed, data):
    history = random_history(seed)
    held = ledger(history)
    middles = data.draw(st.lists(st.integers(1, history.end - 1), max_size=6, unique=True))
    edges = [0, *sorted(middles), history.end]
    slices = slice_times(held.pools[0], held.host, edges)
    for part, low, high in zip(slices, edges, edges[1:], strict=False):
        assert part.per_worker == time_of(history, low, high).per_worker
    assert sum((part.pool for part in slices), start=WorkerTime()) == time_of(history).pool


@settings(max_examples=40)
@given(seeds, st.data())
def test_a_live_window_is_the_sum_of_its_settled_seconds_and_the_rest(seed, data):
    history = scaled(random_history(seed), 20_000_000)  # up to eight seconds
    held = ledger(history)
    pool, past = held.pools[0], PoolHistory()
    past.extend(pool, held.host)
    begin = data.draw(st.integers(0, history.end - 1))
    window = past.time(pool, held.host, begin, history.end)
    at_once = time_of(history, begin)
    assert window.pool == at_once.pool
    # Which of several parked workers starved is shared out in whole nanoseconds of each second.
    assert abs(window.by_category - at_once.by_category).max() <= len(past.seconds) + 2
    assert window.recorded_ns == history.end - begin


def test_time_from_before_the_first_counters_is_split_as_the_time_after_it():
    """Counters are read from 6 s on: of what they cover a worker is on a core half of the time."""
    history = History(1, 10 * 10**9)
    history.tasks = [Task(0, 0, 0, 0, 10 * 10**9)]
    history.waits = [(0, 0, 2 * 10**9, 3 * 10**9)]
    held = ledger(history)
    for second in range(6, 11):
        held.host.add(second * 10**9, 100, (second - 6) * 10**9 // 2, 0)
    pool, past = held.pools[0], PoolHistory()
    past.extend(pool, held.host)
    window = past.time(pool, held.host, 0, history.end).pool
    assert window.working == pytest.approx(4.5 * 10**9)
    assert window.blocked == pytest.approx(4.5 * 10**9 + 10**9)
    assert window.total == history.end
    by_kind = past.time(pool, held.host, 0, history.end).in_task.by_kind.sum(axis=1).tolist()
    assert by_kind == [window.working, window.blocked, window.run_queue_wait]
    assert [second.working for second in past.times] == [
        pytest.approx(0.5 * 10**9) if second != 2 else 0 for second in range(9)
    ]
    slices = slice_times(pool, held.host, range(0, history.end + 1, 10**9))
    assert [part.pool.working for part in slices[:9]] == [t.working for t in past.times]


def test_parked_beside_a_queued_task_is_starved_and_beside_none_is_no_work():
    # Worker 0 works all the time. Worker 1 is parked throughout; a task is queued from 30 to 80.
    history = History(2, 100)
    history.tasks = [Task(0, 0, 0, 0, 80), Task(1, 30, 0, 80, 100)]
    history.idle_intervals = [(1, 0, 100, True, -1)]
    time = time_of(history).pool
    assert time == WorkerTime(working=100, starved=50, no_work=50)


def test_parked_with_its_next_task_there_and_the_wake_sent_is_waking():
    # Spawned at 30, wake sent at 40, awake at 60, running at 62.
    history = History(1, 100)
    history.tasks = [Task(0, 30, 0, 62, 100)]
    history.idle_intervals = [(0, 0, 60, True, 40)]
    time = time_of(history).pool
    assert time == WorkerTime(working=38, dispatch=2, waking=20, starved=10, no_work=30)


def test_without_a_known_wake_waking_begins_when_the_task_is_there():
    history = History(1, 100)
    history.tasks = [Task(0, 30, 0, 62, 100)]
    history.idle_intervals = [(0, 0, 60, True, -1)]
    assert time_of(history).pool.waking == 30


def test_a_wake_that_led_to_parking_again_is_not_waking():
    history = History(1, 100)
    history.tasks = [Task(0, 10, 0, 90, 100)]
    history.idle_intervals = [(0, 0, 40, True, 20), (0, 42, 88, True, 80)]
    time = time_of(history).pool
    assert time.waking == 8  # only the second park's wake, from 80 to 88
    assert time.starved == 30 + 38  # 10 to 40, and 42 to 80


def test_two_parked_workers_share_what_one_queued_task_starves():
    history = History(3, 100)
    history.tasks = [Task(0, 0, 0, 0, 100), Task(1, 0)]
    history.idle_intervals = [(1, 0, 100, True, -1), (2, 0, 100, True, -1)]
    time = time_of(history)
    assert time.pool.starved == 100
    assert [worker.starved for worker in time.per_worker] == [0, 50, 50]


def test_a_wait_in_which_nothing_else_was_done_is_blocked():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 100)]
    history.waits = [(0, 0, 20, 70)]
    assert time_of(history).pool == WorkerTime(working=50, blocked=50)


def test_a_join_that_helps_splits_into_what_was_done_in_it():
    # In the wait from 10 to 90: a helped task 20 to 50, a search 55 to 60, parked 60 to 85.
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 100), Task(1, 5, 0, 20, 50)]
    history.waits = [(0, 0, 10, 90)]
    history.idle_intervals = [(0, 55, 60, False, -1), (0, 60, 85, True, -1)]
    time = time_of(history).pool
    assert time.working == 20 + 30
    assert (time.searching, time.no_work) == (5, 25)
    assert time.dispatch == 10 + 5 + 5


def test_cpu_times_read_with_tasks_split_working_from_blocked():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 100, cpu=30)]
    time = time_of(history)
    assert time.core_time == "tasks"
    assert time.pool == WorkerTime(working=30, blocked=70)


def test_kernel_counters_split_working_run_queue_wait_and_blocked():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 100)]
    held = ledger(history)
    for at, on_core, run_queue in ((0, 1000, 500), (100, 1040, 525)):
        held.host.add(at, 100, on_core, run_queue)
    time = pool_time(held.pools[0], held.host, 0, 100)
    assert time.core_time == "kernel"
    assert time.pool == WorkerTime(working=40, blocked=35, run_queue_wait=25)


def test_searching_is_taken_to_use_its_core_before_tasks_get_the_rest():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 50)]
    history.idle_intervals = [(0, 50, 100, False, -1)]
    held = ledger(history)
    for at, on_core in ((0, 0), (100, 60)):
        held.host.add(at, 100, on_core, 0)
    time = pool_time(held.pools[0], held.host, 0, 100).pool
    assert time == WorkerTime(working=10, blocked=40, searching=50)


def test_a_counter_that_went_backwards_is_another_thread():
    host = HostCounters()
    host.add(0, 7, 1000, 0)
    host.add(100, 7, 1100, 0)
    host.add(200, 7, 5, 0)
    assert host.between(7, 0, 200) == (0.0, 0.0, 0)


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=20))
def test_rounding_shares_keeps_their_total_and_passes_no_limit(shares):
    exact = np.array(shares)
    most = np.ceil(exact).astype(np.int64)
    total = min(round(sum(shares)), int(most.sum()))
    rounded = round_to_total(exact, total, most)
    assert rounded.sum() == total
    assert abs(rounded - exact).max() <= 1.0 + 1e-6
    assert (rounded <= most).all()


@pytest.mark.parametrize("timestamp", [50, 61, 62, 63, 99])
def test_queue_length_is_exact_after_old_rows_are_forgotten(timestamp):
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 10, 20), Task(1, 30, 0, 62, 80), Task(2, 30)]
    held = ledger(history).pools[0]
    held.forget_before(50)
    expected = sum(task.spawned < timestamp <= task.started for task in history.tasks)
    assert queued_at(held, timestamp) == expected


@pytest.mark.parametrize(
    ("shares", "total", "most"),
    [
        ([float("nan"), 1e300, -1e300], 2**61, [2**62, 2**62, -(2**62)]),
        ([float("inf")] * 1000, 2**62, [2**53] * 1000),
        ([-1e18] * 8, 2**60, [2**60] * 8),
        ([0.5] * 3, -5, [-1] * 3),
    ],
)
def test_rounding_of_impossible_times_ends_and_respects_the_limits(shares, total, most):
    rounded = round_to_total(np.array(shares), total, np.array(most, dtype=np.int64))
    assert (rounded >= 0).all()
    assert (rounded <= np.maximum(most, 0)).all()
