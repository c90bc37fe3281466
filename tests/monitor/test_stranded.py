"""Stranded time between pools, against a walk through every nanosecond."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from histories import History, Task, frames, random_history, scaled, take_in
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.time.job_history import JobHistory
from idlehands_monitor.analysis.time.stranded import stranded
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.source import SourceReading

seeds = st.integers(0, 2**16)


def job(*histories):
    """Return a ledger of several pools, numbered in this order."""
    held = Ledger()
    for number, history in enumerate(histories):
        for frame in frames(history):
            take_in(held, {**frame, "pool": number})
    assert held.skipped_frames == 0
    return held


def slow_stranded(histories, end):
    """Return stranded nanoseconds over [0, end), timestamp by timestamp, from the definition."""
    total = 0
    for timestamp in range(end):
        idle = excess = 0
        for history in histories:
            queued = sum(task.spawned <= timestamp < task.started for task in history.tasks)
            parked = sum(
                idle_interval[3] and idle_interval[1] <= timestamp < idle_interval[2]
                for idle_interval in history.idle_intervals
            )
            idle += max(0, parked - queued)
            excess += max(0, queued - parked)
        total += min(idle, excess)
    return total


def parked_and_loaded():
    """Pool 0: two workers parked from 10 to 90. Pool 1: one busy worker, three queued from 30."""
    idle = History(2, 100, idle_intervals=[(0, 10, 90, True, -1), (1, 10, 90, True, -1)])
    loaded = History(1, 100, [Task(0, 0, 0, 0, 100), Task(1, 30), Task(2, 30), Task(3, 30)])
    return idle, loaded


def test_workers_parked_in_one_pool_beside_tasks_queued_in_another_are_stranded():
    held = job(*parked_and_loaded())
    assert stranded(list(held.pools.values()), 0, 100) == {(0, 1): pytest.approx(2 * 60)}


def test_tasks_for_which_their_own_pool_has_parked_workers_strand_nobody():
    idle, loaded = parked_and_loaded()
    loaded = History(
        4, 100, loaded.tasks, idle_intervals=[(w, 0, 100, True, -1) for w in (1, 2, 3)]
    )
    assert stranded(list(job(idle, loaded).pools.values()), 0, 100) == {}


@settings(max_examples=40)
@given(st.lists(seeds, min_size=2, max_size=3))
def test_stranded_time_equals_the_slow_reference(chosen):
    histories = [random_history(seed) for seed in chosen]
    end = min(history.end for history in histories)
    pairs = stranded(list(job(*histories).pools.values()), 0, end)
    assert sum(pairs.values()) == pytest.approx(slow_stranded(histories, end))
    assert all(idle != loaded for idle, loaded in pairs)


@settings(max_examples=20)
@given(st.lists(seeds, min_size=2, max_size=2))
def test_settled_seconds_of_stranded_time_add_up_to_that_of_the_window(chosen):
    histories = [scaled(random_history(seed), 20_000_000) for seed in chosen]
    held, past = job(*histories), JobHistory()
    past.extend(held)
    last = (min(history.end for history in histories) - 500_000_000) // 10**9 * 10**9
    at_once = stranded(list(held.pools.values()), 0, last) if last > 0 else {}
    found = past.stranded.pairs(0, last)
    assert found.keys() == at_once.keys()
    assert all(found[pair] == pytest.approx(at_once[pair]) for pair in found)


def test_a_pool_whose_workers_are_stranded_has_that_as_its_headline():
    held = job(*(scaled(history, 10**8) for history in parked_and_loaded()))
    reading = read(held, SourceReading("job", "replay"))
    idle, loaded = reading.pools
    assert idle.headline.code == "stranded-in-other-pool"
    assert idle.headline.worker_seconds == pytest.approx(12.0)
    assert "stranded-in-other-pool" not in {finding.code for finding in loaded.findings}
    (pair,) = reading.stranded
    assert (pair.idle_pool, pair.loaded_pool, pair.seconds) == (0, 1, pytest.approx(12.0))


def with_counters(held, cores, busy):
    """Have the host say that a process may use so many cores, and each worker so much of one."""
    process = {"frame": "process", "at_ns": 1, "pid": 1, "usable_cores": cores}
    take_in(held, {**process, "resident_bytes": 1, "affinity": 8})
    for at_ns in (0, 100):
        threads = {100 + worker: [int(at_ns * share), 0] for worker, share in enumerate(busy)}
        take_in(held, {"frame": "host", "at_ns": at_ns, "threads": threads})
    assert held.skipped_frames == 0
    return held


@pytest.mark.parametrize(("cores", "expected"), [(1.0, 0), (2.0, 60), (3.0, 120), (8.0, 120)])
def test_idle_workers_are_not_stranded_where_no_usable_core_is_free(cores, expected):
    held = with_counters(job(*parked_and_loaded()), cores, busy=(1.0, 0.0))
    found = stranded(list(held.pools.values()), 0, 100, held)
    assert sum(found.values()) == pytest.approx(expected)
