"""Pools whose workers share one queue: inferred idle intervals, lifetimes, detail given up.

Histories are scripted in nanoseconds; the expected figures are computed by hand.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from histories import take_in
from idlehands.wire import (
    IDLE_INTERVALS,
    INBOX,
    LOST,
    PARKED,
    SPAWNS,
    TASKS,
    THINNING_FACTOR,
    WORKER_LIFETIMES,
    encode_columns,
)
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.time.thinned import thinned_shares
from idlehands_monitor.analysis.time.worker_time import pool_time
from idlehands_monitor.ledger import Hole, HostCounters, Ledger
from idlehands_monitor.ledger.detail import parts, weights
from idlehands_monitor.ledger.queue_length import queued_at
from idlehands_monitor.ledger.rows import Recent, task_rows
from idlehands_monitor.model.source import SourceReading
from idlehands_monitor.model.worker_time import CATEGORIES
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views import text
from idlehands_monitor.views.line import second_line


def shared_ledger(tasks, lifetimes, end_ns, *, workers=1, idle_intervals=(), steps=(), ran=None):
    """Return a ledger of one pool; tasks: (worker, spawned, started, ended[, outcome, by]);
    lifetimes: (worker, began, ended[, how]); idle_intervals: (worker, began, ended, state)."""
    ledger = Ledger()
    take_in(ledger, {"frame": "hello", "version": 1, "pid": 1})
    take_in(
        ledger,
        {
            "frame": "names",
            "pool": 0,
            "name": "quay",
            "pool_kind": "thread pool",
            "workers": workers,
            "declared_ns": 0,
            "closed_ns": -1,
            "task_kinds": ["load"],
            "threads": [[w, 100 + w, 0, f"hand-{w}", 1] for w in range(workers)],
            "shared_queue": True,
            "steps": [list(step) for step in steps],
            "sampled_by": "spawned_ns",
        },
    )

    def rows(table, worker, values):
        if values:
            columns = encode_columns(table.names, list(zip(*values, strict=True)))
            frame = {"frame": "rows", "pool": 0, "table": table.name, "worker": worker}
            first = {"first": 0, "rows": len(values), "complete_ns": end_ns}
            take_in(ledger, {**frame, **first, "columns": columns})

    rows(SPAWNS, -1, [(task[1],) for task in tasks])
    for worker in range(workers):
        mine = [(number, *task) for number, task in enumerate(tasks) if task[0] == worker]
        rows(
            TASKS,
            worker,
            [
                (number, -1, 0, spawned, by, -1, started, ended, INBOX, -1, outcome)
                for number, _, spawned, started, ended, outcome, by in (
                    (*task, 0, -1)[:7] if len(task) < 6 else (*task, -1)[:7] for task in mine
                )
            ],
        )
        rows(
            WORKER_LIFETIMES,
            worker,
            [(b, e, 1, 100 + w, *(h or [0])) for w, b, e, *h in lifetimes if w == worker],
        )
        rows(
            IDLE_INTERVALS,
            worker,
            [(b, e, state, 0, -1, -1) for w, b, e, state in idle_intervals if w == worker],
        )
    levels = {"frame": "levels", "pool": 0, "at_ns": end_ns, "inbox": 0, "deques": []}
    counts = {"ran": ran or [sum(task[0] == w for task in tasks) for w in range(workers)]}
    take_in(ledger, {**levels, "workers": [[] for _ in range(workers)], "misuses": 0, **counts})
    return ledger


def by_category(ledger, begin, end):
    time = pool_time(ledger.pools[0], HostCounters(), begin, end)
    return {name: getattr(time.pool, name) for name in CATEGORIES if getattr(time.pool, name)}


def test_an_idle_interval_is_parked_until_the_next_task_is_handed_in_and_waking_from_then_on():
    tasks = [(0, 10, 12, 20), (0, 40, 43, 50)]
    ledger = shared_ledger(tasks, [(0, 0, 60)], 60)
    assert by_category(ledger, 0, 60) == {
        "working": 15,
        "waking": 5,  # 10 to 12 and 40 to 43
        "no_work": 40,  # 0 to 10, 20 to 40, 50 to 60
    }


def test_a_worker_that_only_fetches_a_task_queued_already_is_dispatching():
    tasks = [(0, 10, 10, 20), (0, 15, 22, 30)]
    ledger = shared_ledger(tasks, [(0, 10, 30)], 40)
    assert by_category(ledger, 0, 40) == {"working": 18, "dispatch": 2}


def test_a_parked_worker_beside_a_queued_task_is_starved():
    tasks = [(0, 10, 10, 50), (0, 20, 50, 60), (1, 0, 0, 5), (1, 55, 55, 60)]
    ledger = shared_ledger(tasks, [(0, 0, 60), (1, 0, 60)], 60, workers=2)
    found = by_category(ledger, 0, 60)
    assert found["starved"] == 30  # worker 1 from 20, when a task was queued, to 50
    assert sum(found.values()) == 120


def test_time_before_a_worker_joins_and_after_it_leaves_is_nobodys():
    ledger = shared_ledger([(0, 10, 10, 20)], [(0, 10, 25), (0, 40, 45)], 100)
    assert sum(by_category(ledger, 0, 100).values()) == 20
    assert sum(by_category(ledger, 22, 42).values()) == 5


def test_windows_side_by_side_add_up_to_the_window_around_them():
    tasks = [(0, 10, 12, 20), (0, 15, 22, 30), (0, 40, 43, 50)]
    ledger = shared_ledger(tasks, [(0, 0, 60)], 60)
    whole = by_category(ledger, 0, 60)
    for cut in range(1, 60):
        left, right = by_category(ledger, 0, cut), by_category(ledger, cut, 60)
        assert {n: left.get(n, 0) + right.get(n, 0) for n in whole} == whole


@st.composite
def histories(draw):
    """Random workers, each with lifetimes one after the other and tasks inside them."""
    workers = draw(st.integers(1, 3))
    tasks, lifetimes = [], []
    for worker in range(workers):
        timestamp = 0
        for _ in range(draw(st.integers(0, 3))):
            began = timestamp = timestamp + draw(st.integers(0, 20))
            for _ in range(draw(st.integers(0, 5))):
                started = timestamp + draw(st.integers(0, 15))
                timestamp = started + draw(st.integers(0, 15))
                tasks.append((worker, draw(st.integers(0, started)), started, timestamp))
            timestamp += draw(st.integers(0, 10))
            if timestamp > began:
                lifetimes.append((worker, began, timestamp))
            else:
                tasks = [t for t in tasks if t[0] != worker or t[2] < began]
    return workers, sorted(tasks, key=lambda task: task[1]), lifetimes


@example((1, [(0, 0, 1, 2), (0, 1, 1, 1), (0, 2, 2, 2)], [(0, 0, 2)]), 1, 1)
@given(histories(), st.integers(0, 60), st.integers(1, 200))
def test_categories_are_never_negative_and_add_up_to_the_time_that_workers_were_there(
    history, begin, length
):
    workers, tasks, lifetimes = history
    end = begin + length
    ledger = shared_ledger(tasks, lifetimes, 1000, workers=workers)
    time = pool_time(ledger.pools[0], HostCounters(), begin, end)
    there = sum(max(0, min(e, end) - max(b, begin)) for _, b, e in lifetimes)
    assert time.pool.total == there
    assert all(getattr(worker, name) >= 0 for worker in time.per_worker for name in CATEGORIES)


def slow_categories(workers, tasks, lifetimes, begin, end):
    """Return worker time by looking at every nanosecond, see docs/figures.md."""
    total = dict.fromkeys(("working", "dispatch", "waking", "starved", "no_work"), 0)
    for timestamp in range(begin, end):
        queued = sum(spawned <= timestamp < started for _, spawned, started, _ in tasks)
        parked = waking = 0
        for worker in range(workers):
            lifetime = [(b, e) for w, b, e in lifetimes if w == worker and b <= timestamp < e]
            if not lifetime:
                continue
            mine = [t for t in tasks if t[0] == worker and lifetime[0][0] <= t[2] < lifetime[0][1]]
            if any(t[2] <= timestamp < t[3] for t in mine):
                total["working"] += 1
                continue
            before = max([lifetime[0][0], *(t[3] for t in mine if t[3] <= timestamp)])
            later = sorted((t[2], t[1]) for t in mine if t[2] > timestamp)
            if later and later[0][1] <= before:
                total["dispatch"] += 1  # the next task was queued already: it only fetches it
            else:
                parked += 1
                waking += bool(later) and timestamp >= later[0][1]
        total["waking"] += waking
        total["starved"] += max(0, min(queued, parked) - waking)
        total["no_work"] += parked - waking - max(0, min(queued, parked) - waking)
    return total


@settings(max_examples=300)
@given(histories(), st.integers(0, 60), st.integers(1, 120))
def test_the_sweep_of_a_shared_queue_equals_the_slow_reference(history, begin, length):
    workers, tasks, lifetimes = history
    # Of two tasks that begin at once one takes no time, and which came first is not known.
    tasks = [task for task in tasks if task[3] > task[2]]
    stayed = [t for t in tasks if any(t[0] == w and b <= t[2] < e for w, b, e in lifetimes)]
    ledger = shared_ledger(stayed, lifetimes, 1000, workers=workers)
    time = pool_time(ledger.pools[0], HostCounters(), begin, begin + length).pool
    expected = slow_categories(workers, stayed, lifetimes, begin, begin + length)
    assert {name: getattr(time, name) for name in expected} == expected


def test_submitters_and_runners_are_counted_as_hand_overs():
    tasks = [(0, 1, 1, 2), (1, 2, 2, 3, 0, 0), (1, 3, 3, 4, 0, 0), (0, 4, 4, 5, 0, 1)]
    ledger = shared_ledger(tasks, [(0, 0, 9), (1, 0, 9)], 10, workers=2)
    (pool,) = read(ledger, SourceReading("quay", "live")).pools
    assert pool.hand_overs.matrix == ((1, 0), (0, 2), (1, 0))


def test_a_worker_that_died_is_named_with_the_task_lost_with_it():
    tasks = [(0, 1, 1, 2), (0, 3, 3, 9, LOST)]
    ledger = shared_ledger(tasks, [(0, 0, 9, 1)], 10)
    (pool,) = read(ledger, SourceReading("quay", "live")).pools
    assert (pool.tasks.finished, pool.tasks.lost) == (1, 1)
    (dead,) = pool.lifetimes.dead
    assert (dead.worker, dead.pid, dead.kind) == (0, 1, "load")
    assert pool.findings[0].code == "lost-worker"


def thinned(pairs, *, ran):
    """A pool whose one worker ran `pairs` of (run, idle time) as its recorded tasks from 100 on."""
    tasks, idle_intervals, timestamp = [], [], 100
    for run, idle_interval in pairs:
        tasks.append((0, timestamp, timestamp, timestamp + run))
        idle_intervals.append((0, timestamp + run, timestamp + run + idle_interval, PARKED))
        timestamp += run + idle_interval
    ledger = shared_ledger(
        tasks,
        [(0, 0, 10_000)],
        10_000,
        idle_intervals=idle_intervals,
        steps=[(100, 2), (5_000, 0)],
        ran=[ran],
    )
    return ledger


def test_a_thinned_stretch_is_split_as_its_recorded_pairs_are():
    ledger = thinned([(30, 10), (20, 20), (40, 0), (30, 10)], ran=64)
    pool = ledger.pools[0]
    time = pool_time(pool, HostCounters(), 100, 5_000)
    assert time.thinned_ns == time.recorded_ns == 4_900
    assert time.pool.total == 4_900
    assert time.pool.working == pytest.approx(4_900 * 120 / 160, abs=1)
    assert time.pool.no_work == pytest.approx(4_900 * 40 / 160, abs=1)


def test_the_error_of_a_thinned_share_is_that_of_a_ratio_estimate():
    """By hand, Cochran eq. 6.13: residuals 0, -10, 10, 0 around the ratio 3/4 over pairs of 40."""
    pool = thinned([(30, 10), (20, 20), (40, 0), (30, 10)], ran=64).pools[0]
    present = pool_time(pool, HostCounters(), 100, 5_000).per_worker
    shares = thinned_shares(pool, task_rows(pool, 5_000), _as_array([present[0].total]), 100, 5_000)
    assert shares.pairs == 4
    assert shares.error == pytest.approx(math.sqrt(200 / 3 / 4) / 40)


def _as_array(values):
    import numpy as np

    return np.array(values, dtype=np.int64)


def test_rows_of_a_thinned_stretch_weigh_as_many_tasks_as_they_stand_for():
    pool = thinned([(30, 10), (20, 20)], ran=32).pools[0]
    assert weights(pool, Recent(pool.tasks, 0)).tolist() == [THINNING_FACTOR, THINNING_FACTOR]
    assert list(parts(pool, 0, 6_000)) == [(0, 100, 0), (100, 5_000, 2), (5_000, 6_000, 0)]


def test_counts_of_a_thinned_stretch_are_the_totals_and_kinds_are_weighed():
    (pool,) = read(thinned([(30, 10), (20, 20)], ran=37), SourceReading("quay", "live")).pools
    assert pool.tasks.finished == 37
    assert pool.tasks.kinds[0].finished == 2 * THINNING_FACTOR
    assert pool.thinned_s == pytest.approx(4.9e-6)


def test_time_in_which_tasks_were_only_counted_is_stated_and_left_out():
    ledger = shared_ledger(
        [(0, 10, 10, 20)], [(0, 0, 100)], 100, steps=[(50, 3), (80, 0)], ran=[500]
    )
    time = pool_time(ledger.pools[0], HostCounters(), 0, 100)
    assert (time.counted_ns, time.pool.total) == (30, 70)
    (pool,) = read(ledger, SourceReading("quay", "live")).pools
    assert pool.tasks.finished == 500


def test_the_totals_of_a_closed_pool_are_its_last_though_they_came_after_it_closed():
    """Its last levels are read up to a flush later, when its queue may hold a sentinel still."""
    ledger = thinned([(30, 10), (20, 20)], ran=37)
    pool = ledger.pools[0]
    pool.totals.appendleft((9_000, 20, 20))
    pool.closed_ns, pool.inbox = 9_500, 1
    (reading,) = read(ledger, SourceReading("quay", "live")).pools
    assert reading.tasks.finished == 37
    assert reading.tasks.queued == 0


def test_tasks_that_left_no_row_are_not_queued_for_ever():
    """Thirty-seven tasks were run in all, of which two left rows while detail was given up."""
    ledger = thinned([(30, 10), (20, 20)], ran=37)
    pool = ledger.pools[0]
    take_in(
        pool,
        {
            **{"frame": "levels", "pool": 0, "at_ns": 11_000, "inbox": 0, "deques": []},
            **{"workers": [[]], "misuses": 0, "ran": [37], "spawned": 38},
        },
    )
    assert queued_at(pool, 10_500) == 1


def test_a_worker_seen_to_go_just_after_its_pool_closed_has_left():
    ledger = shared_ledger([(0, 1, 1, 2)], [(0, 0, 97), (1, 0, 90)], 100, workers=2)
    ledger.pools[0].closed_ns = 95
    (pool,) = read(ledger, SourceReading("quay", "live")).pools
    assert (pool.lifetimes.joined, pool.lifetimes.left) == (2, 2)


def test_a_worker_that_left_while_the_levels_were_read_joined_once():
    ledger = shared_ledger([(0, 1, 1, 2)], [(0, 50, 101)], 100)
    (pool,) = ledger.pools.values()
    levels = {"frame": "levels", "pool": 0, "at_ns": 100, "inbox": 0, "deques": [], "misuses": 0}
    take_in(pool, {**levels, "workers": [[[3, 50]]], "ran": [1]})
    pool.closed_ns = 99
    (found,) = read(ledger, SourceReading("quay", "live")).pools
    assert (found.lifetimes.joined, found.lifetimes.left) == (1, 1)


def test_where_rows_were_lost_the_rate_of_tasks_is_that_of_the_whole_window():
    """A thousand tasks were counted in a window of ten seconds, half of which left no rows."""
    second = 1_000_000_000
    tasks = [(0, 0, 0, second), (0, 0, 9 * second, 10 * second)]
    ledger = shared_ledger(tasks, [(0, 0, 10 * second)], 10 * second, ran=[1000])
    pool = ledger.pools[0]
    pool.holes, pool.lost_rows = [Hole(2 * second, 7 * second)], 998
    (reading,) = read(ledger, SourceReading("quay", "live")).pools
    assert (reading.window_s, reading.tasks.finished) == (5.0, 1000)
    assert reading.tasks.per_s == pytest.approx(100.0)
    assert "100 tasks/s, 0 queued, 998 rows lost" in second_line(
        read(ledger, SourceReading("quay", "live"))
    )


def test_a_late_reader_counts_the_tasks_that_earlier_thinned_rows_stand_for():
    ledger = thinned([(30, 10), (20, 20), (40, 0), (30, 10)], ran=9000)
    pool = ledger.pools[0]
    pool.declared_ns, pool.complete_from_ns = -1_000, 100
    (reading,) = read(ledger, SourceReading("quay", "live")).pools
    assert reading.thinned_s > 0
    assert reading.tasks.finished == 4 * THINNING_FACTOR


def batches(size):
    ledger = shared_ledger([(0, 1, 1, 2), (0, 2, 2, 4)], [(0, 0, 9)], 10)
    ledger.pools[0].tasks["size"][:] = size
    return read(ledger, SourceReading("quay", "live"))


def test_calls_that_are_handed_in_by_the_batch_are_shown_beside_tasks():
    reading = batches(50)
    (pool,) = reading.pools
    assert (pool.tasks.finished, pool.tasks.calls, pool.tasks.kinds[0].calls) == (2, 100, 100)
    assert "s, 100 calls), " in text.explain(reading)
    (written,) = json_view.document(reading)["pools"]
    assert (written["tasks"]["calls"], written["tasks"]["kinds"][0]["calls"]) == (100, 100)


def test_calls_are_not_mentioned_where_each_task_is_one_call():
    reading = batches(-1)
    assert reading.pools[0].tasks.calls == 2
    assert "calls)" not in text.explain(reading)


def test_where_no_task_has_ended_there_is_no_median_to_show():
    reading = read(shared_ledger([], [(0, 0, 9)], 10), SourceReading("quay", "live"))
    assert reading.pools[0].tasks.median_queue_wait_s is None
    assert "median wait in the queue –" in text.explain(reading)
