"""The speeds of workers: ranks against scipy's, kinds as strata, what is left out."""

from __future__ import annotations

import random

import numpy as np
import pytest
from test_shared_queue import shared_ledger

from histories import History, Task, ledger
from idlehands_monitor.analysis.queueing.speeds import LEAST_COMPARED, slowest
from idlehands_monitor.analysis.stats.rank_test import rank_test

MS = 1_000_000
END = 10_000 * MS


def ran(lengths_ms, **columns):
    """Return a pool with one queue; worker n ran tasks of these lengths one after another."""
    rows, now = [], 0
    for worker, lengths in enumerate(lengths_ms):
        now = 0
        for length in lengths:
            rows.append((worker, now, now, now + round(length * MS)))
            now += round(length * MS)
    lifetimes = [(worker, 0, END) for worker in range(len(lengths_ms))]
    pool = shared_ledger(rows, lifetimes, END, workers=len(lengths_ms)).pools[0]
    for name, values in columns.items():
        pool.tasks[name][:] = values
    return pool


def drawn(seed, count, factor=1.0):
    draw = random.Random(seed)
    return [factor * draw.lognormvariate(0, 0.3) for _ in range(count)]


def test_the_effect_and_its_error_are_those_of_the_mann_whitney_test():
    own, others = drawn(1, 30, 1.5), drawn(2, 50)
    found = slowest(ran([own, others]), 0, END)
    nanoseconds = [np.array([round(length * MS) for length in of]) for of in (own, others)]
    expected = rank_test(*nanoseconds)
    assert (found.worker, found.tasks, found.others) == (0, 30, 50)
    assert found.superiority == pytest.approx(expected.superiority)
    assert found.error == pytest.approx(expected.error, rel=1e-3)
    assert found.slowdown == pytest.approx(np.median(nanoseconds[0]) / np.median(nanoseconds[1]))


def test_equal_times_are_half_superior():
    found = slowest(ran([[1] * 40, [1] * 40]), 0, END)
    assert (found.superiority, found.slowdown) == (0.5, 1.0)


def test_the_slowest_of_several_workers_is_given_against_all_others():
    found = slowest(ran([drawn(1, 40), drawn(2, 40, 2.0), drawn(3, 40)]), 0, END)
    assert found.worker == 1
    assert found.others == 80
    assert found.superiority > 0.9


def test_a_worker_that_runs_more_of_a_slow_kind_is_not_slow():
    quick, slow = drawn(1, 60), drawn(2, 60, 9.0)
    lengths = [quick[:20] + slow[:40], quick[20:60] + slow[40:60]]
    found = slowest(ran(lengths, kind=[0] * 20 + [1] * 40 + [0] * 40 + [1] * 20), 0, END)
    assert 0.3 < found.superiority < 0.7


def test_a_batch_counts_by_its_time_for_one_call():
    lengths = [drawn(1, 40, 8.0), drawn(2, 40)]
    found = slowest(ran(lengths, size=[8] * 40 + [1] * 40), 0, END)
    assert found.superiority < 0.7


def test_failed_tasks_and_kinds_with_few_tasks_are_not_compared():
    few = [drawn(1, LEAST_COMPARED - 1), drawn(2, 90)]
    assert slowest(ran(few), 0, END) is None
    assert slowest(ran([drawn(1, 40), drawn(2, 40)], outcome=1), 0, END) is None


def test_tasks_outside_the_window_are_not_compared():
    assert slowest(ran([drawn(1, 40), drawn(2, 40)]), END - MS, END) is None


def test_pools_that_steal_are_not_compared_as_thieves_take_the_large_tasks():
    history = History(2, END)
    for number in range(80):
        begin = number * 9 * MS
        history.tasks.append(Task(number, begin, number % 2, begin, begin + (number % 2 + 1) * MS))
    assert slowest(ledger(history).pools[0], 0, END) is None
