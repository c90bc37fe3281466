"""Time in tasks by kind and state: on a core, waiting for one, and blocked.

The counters in these tests are made from what each task did, so the truth is known.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from histories import History, Task, ledger, names_frame, random_history, take_in
from idlehands_monitor.analysis.assemble import read_pool
from idlehands_monitor.analysis.time.worker_time import pool_time

MS = 1_000_000
QUARTER = 250 * MS


class Kind:
    """Tasks of so many milliseconds, of which they are on a core and in the run queue so many."""

    def __init__(self, number, length, on, queued):
        self.number, self.length, self.on, self.queued = number, length, on, queued


SLEEPS, COMPUTES = Kind(0, 90, 1, 1), Kind(1, 60, 20, 40)


def job(kinds, seconds, seed=7, *, reads_cpu=True, sees=None):
    """Return the ledger of a worker that runs tasks of `kinds` in no order, sampled every 250 ms.

    Every state of a task takes its share of any part of it. sees: what a sample sees by kind.
    """
    draw, now, tasks, chosen = random.Random(seed), 0, [], []
    while now < seconds * 1000 * MS:
        kind = draw.choice(kinds)
        cpu = kind.on * MS if reads_cpu else -1
        tasks.append(Task(len(tasks), now, 0, now, now + kind.length * MS, cpu=cpu))
        chosen.append(kind)
        now += kind.length * MS
    history = History(1, now)
    history.tasks = tasks
    held = ledger(history)
    pool = held.pools[0]
    take_in(pool, names_frame(1, task_kinds=["sleeps", "computes"]))
    pool.tasks["kind"][:] = [kind.number for kind in chosen]
    ends = np.array([task.ended for task in tasks])
    totals = np.cumsum([[kind.on * MS, kind.queued * MS] for kind in chosen], axis=0)
    for at in range(0, now, QUARTER):
        on, queued = (round(float(np.interp(at, [0, *ends], [0, *total]))) for total in totals.T)
        frame = {"frame": "host", "at_ns": at, "threads": {100: [on, queued]}}
        if sees is not None:
            frame["waits"] = {
                100: sees[chosen[int(np.searchsorted(ends, at, side="right"))].number]
            }
        take_in(held, frame)
    assert held.skipped_frames == 0
    return held


def kinds_of(held):
    pool = held.pools[0]
    return {k.kind: k for k in read_pool(held, pool, 0, pool.complete_ns).tasks.kinds}


def assert_is(found, kind, all_s):
    for name, part in (("working", kind.on), ("run_queue_wait", kind.queued)):
        assert getattr(found, f"{name}_s") == pytest.approx(
            all_s * part / kind.length, abs=0.03 * all_s
        )


@pytest.mark.parametrize("reads_cpu", [True, False])
def test_a_kind_that_sleeps_is_not_shown_waiting_for_the_core_another_kind_waits_for(reads_cpu):
    kinds = kinds_of(job((SLEEPS, COMPUTES), 20, reads_cpu=reads_cpu))
    assert_is(kinds["sleeps"], SLEEPS, kinds["sleeps"].total_s)
    assert_is(kinds["computes"], COMPUTES, kinds["computes"].total_s)


def test_kinds_that_every_interval_mixes_alike_are_distinguished_by_samples():
    short = Kind(0, 5, 0, 0), Kind(1, 5, 2, 3)
    held = job([short[0], short[1]], 20, sees={0: "sleep", 1: "running"})
    kinds = kinds_of(held)
    assert_is(kinds["sleeps"], short[0], kinds["sleeps"].total_s)
    assert_is(kinds["computes"], short[1], kinds["computes"].total_s)


def test_a_wait_for_a_core_between_tasks_is_not_counted_in_tasks():
    history = History(1, 10_000 * MS)
    history.tasks = [
        Task(n, 0, 0, n * 1000 * MS, n * 1000 * MS + 500 * MS, cpu=500 * MS) for n in range(10)
    ]
    history.idle_intervals = [
        (0, n * 1000 * MS + 500 * MS, (n + 1) * 1000 * MS, False, -1) for n in range(10)
    ]
    held = ledger(history)
    for quarter in range(41):  # a core in tasks, and only waiting for one between them
        on = quarter // 4 * 500 + min(quarter % 4, 2) * 250
        queued = quarter // 4 * 500 + max(quarter % 4 - 2, 0) * 250
        held.host.add(quarter * QUARTER, 100, on * MS, queued * MS)
    time = pool_time(held.pools[0], held.host, 0, 10_000 * MS).pool
    assert time.run_queue_wait < 50 * MS
    assert time.working == pytest.approx(5000 * MS, rel=0.01)


def test_a_wait_for_a_core_that_is_counted_when_it_ends_belongs_to_where_it_began():
    """The kernel counts a wait when the thread gets its core: here after the next sample."""
    history = History(1, 750 * MS)
    history.tasks = [Task(0, 0, 0, 0, 750 * MS)]
    held = ledger(history)
    for at, on, queued in ((0, 0, 0), (250, 50, 0), (500, 50, 400), (750, 300, 400)):
        held.host.add(at * MS, 100, on * MS, queued * MS)
    time = pool_time(held.pools[0], held.host, 0, 750 * MS).pool
    assert (time.working, time.run_queue_wait) == (
        pytest.approx(300 * MS, rel=1e-3),
        pytest.approx(400 * MS, rel=1e-3),
    )


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**16), st.lists(st.integers(0, 60), min_size=2, max_size=30))
def test_kinds_add_up_to_the_pool_exactly_whatever_the_counters_say(seed, growths):
    history = random_history(seed)
    held = ledger(history)
    pool = held.pools[0]
    take_in(pool, names_frame(history.workers, task_kinds=["a", "b"]))
    pool.tasks["kind"][:] = np.resize([0, 1, 2], len(pool.tasks["kind"]))
    pool.tasks["cpu_ns"][::3] = (pool.tasks["ended_ns"] - pool.tasks["started_ns"])[::3] // 2
    on = queued = 0
    for number, growth in enumerate(growths):
        on, queued = on + growth, queued + growths[-1 - number]
        for thread in range(history.workers):
            held.host.add(number * 9, 100 + thread, on, queued)
    time = pool_time(pool, held.host, 0, pool.complete_ns)
    assert time.in_task.by_kind.min() >= 0
    assert time.by_category.min() >= 0
    assert time.pool.total == history.workers * history.end
    assert time.in_task.by_kind.sum(axis=1).tolist() == [
        time.pool.working,
        time.pool.blocked,
        time.pool.run_queue_wait,
    ]
