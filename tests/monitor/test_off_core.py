"""What time in tasks was: by kind of task, and what blocked time waited for.

Expected figures are worked out by hand; Wilson's interval is held against its source elsewhere.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from histories import History, Task, ledger, names_frame, random_history, take_in
from idlehands_monitor.analysis.assemble import read_pool
from idlehands_monitor.analysis.stats.summary import wilson
from idlehands_monitor.analysis.time.blocked import LEAST_SAMPLES, blocked
from idlehands_monitor.analysis.time.worker_time import pool_time
from idlehands_monitor.analysis.verdicts.findings import findings
from idlehands_monitor.model.blocked import BlockedReading
from idlehands_monitor.model.vocabulary import WaitReason
from idlehands_monitor.model.worker_time import WorkerTime
from idlehands_monitor.views.terminal.header import blocked_phrase

seeds = st.integers(0, 2**16)
SECOND = 10**9


def victims_tried(history, samples):
    """Return a ledger of a history whose workers' threads were sampled: (timestamp, {id: sort})."""
    held = ledger(history)
    for at_ns, waits in samples:
        take_in(held, {"frame": "host", "at_ns": at_ns, "threads": {}, "waits": waits})
    assert held.skipped_frames == 0
    return held


def time_of(held):
    pool = held.pools[0]
    return pool_time(pool, held.host, 0, pool.complete_ns)


@settings(max_examples=80)
@given(seeds, st.lists(st.integers(0, 2), min_size=1, max_size=40))
def test_time_by_kind_adds_up_to_that_of_the_pool(seed, kinds):
    history = random_history(seed)
    held = ledger(history)
    pool = held.pools[0]
    take_in(pool, names_frame(history.workers, task_kinds=["a", "b"]))  # kind 2 is not known
    column = pool.tasks["kind"]
    column[:] = np.resize(kinds, len(column))
    pool.tasks["cpu_ns"][::3] = (pool.tasks["ended_ns"] - pool.tasks["started_ns"])[::3] // 2
    time = time_of(held)
    working, blocked_ns, queued = time.in_task.by_kind.sum(axis=1).tolist()
    assert time.in_task.by_kind.min() >= 0
    assert (working, blocked_ns, queued) == (
        time.pool.working,
        time.pool.blocked,
        time.pool.run_queue_wait,
    )


def test_each_kind_has_the_time_that_its_own_tasks_took():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 60, cpu=20), Task(1, 0, 0, 60, 90, cpu=30)]
    held = ledger(history)
    take_in(held.pools[0], names_frame(1, task_kinds=["sleep", "count"]))
    held.pools[0].tasks["kind"][:] = [0, 1]
    kinds = {k.kind: k for k in read_pool(held, held.pools[0], 0, 100).tasks.kinds}
    assert (kinds["sleep"].working_s, kinds["sleep"].blocked_s) == (20e-9, 40e-9)
    assert (kinds["count"].working_s, kinds["count"].blocked_s) == (30e-9, 0)


def test_a_task_that_has_not_ended_counts_for_its_kind():
    history = History(1, 100)
    held = ledger(history)
    take_in(
        held,
        {
            **{"frame": "levels", "pool": 0, "at_ns": 100, "inbox": 0, "deques": [0]},
            **{"workers": [[[0, 0, -1, 0, 0, -1, -1, 40, -2]]], "misuses": 0},
        },
    )
    (kind,) = read_pool(held, held.pools[0], 0, 100).tasks.kinds
    assert (kind.finished, kind.working_s) == (0, 60e-9)


def test_samples_count_where_the_worker_is_in_a_task_and_in_no_recorded_wait():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 10, 60)]
    history.waits = [(0, 0, 20, 30)]
    history.idle_intervals = [(0, 60, 100, True, -1)]
    sleeping = {100: "sleep"}
    held = victims_tried(history, [(at, sleeping) for at in (5, 15, 25, 35, 59, 60, 80)])
    samples = time_of(held).in_task.samples.sum(axis=1)
    assert samples.tolist() == [3 if sort == "sleep" else 0 for sort in WaitReason]


def test_a_thread_that_ran_is_not_counted_and_an_unknown_sort_is_other():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 100)]
    held = victims_tried(
        history, [(10, {100: "running"}), (20, {100: "a dream"}), (30, {7: "lock"})]
    )
    samples = dict(zip(WaitReason, time_of(held).in_task.samples.sum(axis=1).tolist(), strict=True))
    assert samples == {**dict.fromkeys(WaitReason, 0), "other": 1}


def hundred_seconds(samples):
    """One worker in one task that was on a core for 20 of 100 seconds; 10 were a recorded join."""
    history = History(1, 100 * SECOND)
    history.tasks = [Task(0, 0, 0, 0, 100 * SECOND, cpu=20 * SECOND)]
    history.waits = [(0, 0, 50 * SECOND, 60 * SECOND)]
    held = victims_tried(history, samples)
    held.pools[0].waits["on_task"][:] = 5
    return time_of(held)


def test_blocked_time_is_split_by_the_shares_of_samples_with_their_intervals():
    samples = [(at * SECOND, {100: "sleep" if at % 4 else "lock"}) for at in range(40)]
    found = blocked(hundred_seconds(samples))
    assert (found.join_s, found.declared_s, found.unsplit_s) == (10.0, 0.0, 0.0)
    assert found.samples == 40
    sleep, lock = found.waits
    assert (sleep.sort, lock.sort) == ("sleep", "lock")
    assert (sleep.seconds, lock.seconds) == (pytest.approx(70 * 0.75), pytest.approx(70 * 0.25))
    low, high = wilson(30, 40)
    assert (sleep.low_s, sleep.high_s) == (pytest.approx(70 * low), pytest.approx(70 * high))


def test_with_few_samples_nothing_is_split():
    found = blocked(hundred_seconds([(SECOND, {100: "sleep"})] * (LEAST_SAMPLES - 1)))
    assert found.waits == ()
    assert found.unsplit_s == pytest.approx(70.0)


def test_one_cores_worth_of_work_by_several_workers_is_found_without_samples():
    history = History(3, 10 * SECOND)
    history.tasks = [Task(n, 0, n, 0, 10 * SECOND) for n in range(3)]
    held = ledger(history)
    for at_ns, on_core in ((0, 0), (10 * SECOND, 3_300_000_000)):
        threads = {100 + worker: [on_core, 0] for worker in range(3)}
        take_in(held, {"frame": "host", "at_ns": at_ns, "threads": threads})
    reading = read_pool(held, held.pools[0], 0, 10 * SECOND)
    assert reading.blocked.one_core
    assert reading.headline.code == "interpreter-lock"
    assert reading.headline.worker_seconds == pytest.approx(30 - 9.9)


def test_the_interpreter_lock_and_other_waits_are_separate_findings():
    samples = [(at * SECOND, {100: "interpreter lock" if at % 2 else "sleep"}) for at in range(40)]
    history = History(1, 100 * SECOND)
    history.tasks = [Task(0, 0, 0, 0, 100 * SECOND, cpu=20 * SECOND)]
    held = victims_tried(history, samples)
    found = {f.code: f for f in read_pool(held, held.pools[0], 0, 100 * SECOND).findings}
    assert found["interpreter-lock"].worker_seconds == pytest.approx(40.0)
    assert found["blocked-in-task"].worker_seconds == pytest.approx(40.0)
    assert "waiting mostly for a sleep to end" in found["blocked-in-task"].sentence


def test_a_short_join_is_not_what_was_mostly_waited_for_where_the_rest_is_not_split():
    history = History(1, 100 * SECOND)
    history.tasks = [Task(0, 0, 0, 0, 100 * SECOND, cpu=20 * SECOND)]
    history.waits = [(0, 0, 50 * SECOND, 51 * SECOND)]
    held = ledger(history)
    held.pools[0].waits["on_task"][:] = 5
    (finding,) = read_pool(held, held.pools[0], 0, 100 * SECOND).findings
    assert finding.code == "blocked-in-task"
    assert "mostly" not in finding.sentence


@pytest.mark.parametrize(
    ("joined", "declared", "unknown", "says"),
    [
        (55, 0, 45, ", waiting mostly for a join:"),
        (30, 30, 25, ", waiting mostly for a declared wait to end and a join:"),
        (60, 22, 18, ", waiting mostly for a join:"),
        (30, 25, 45, ", and it is not known what most of them waited for:"),
        (0, 0, 100, ", and it is not known what most of them waited for:"),
    ],
)
def test_time_of_which_the_cause_is_not_known_takes_part_in_the_comparison_of_causes(
    joined, declared, unknown, says
):
    waited = BlockedReading(joined, declared, (), 0, unknown, one_core=False)
    time = WorkerTime(0, 100 * SECOND, 0, 0, 0, 0, 0, 0)
    (finding,) = findings(time, 1, 100.0, blocked=waited)
    assert says in finding.sentence


@pytest.mark.parametrize(
    ("joined", "unknown", "says"),
    [(30, 45, "blocked by an unknown cause for 45 %"), (45, 30, "blocked in joins for 45 %")],
)
def test_the_second_line_names_the_largest_part_of_blocked_time_be_it_known_or_not(
    joined, unknown, says
):
    history = History(1, 100 * SECOND)
    history.tasks = [Task(0, 0, 0, 0, 100 * SECOND, cpu=20 * SECOND)]
    held = ledger(history)
    waited = BlockedReading(joined, 0.0, (), 0, unknown, one_core=False)
    reading = replace(read_pool(held, held.pools[0], 0, 100 * SECOND), blocked=waited)
    assert blocked_phrase(reading).startswith(says)
