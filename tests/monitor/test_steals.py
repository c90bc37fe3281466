"""Who took from whom, and the time to the next task, by hand and by a slow walk."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading, source

from histories import History, Task, frames, ledger, levels_frame, random_history, take_in
from idlehands.wire import encode_columns
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.stealing.steals import MOST_FEEDERS, stealing, times_to_next_task
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views import text

MS = 1_000_000


def counted(hits, empties, history=None):
    """Return a ledger of a pool whose thieves counted these."""
    workers = len(hits)
    *rows, levels = frames(history or History(workers, 1000 * MS))
    held = Ledger()
    for frame in rows:
        take_in(held, frame)
    for thief in range(workers):
        counts = (hits[thief], empties[thief], [0] * workers)
        columns = encode_columns(("hits", "empties", "lost_races"), counts)
        take_in(held, {"frame": "counters", "pool": 0, "worker": thief, **columns})
    take_in(held, levels)
    return held


def stealing_of(hits, empties, history=None):
    return read(counted(hits, empties, history), source()).pools[0].stealing


HITS = [[0, 2, 1, 0], [5, 0, 0, 0], [7, 1, 0, 0], [0, 0, 0, 0]]
EMPTIES = [[0, 3, 3, 4], [1, 0, 1, 1], [0, 0, 0, 0], [2, 2, 2, 0]]

# -- who took from whom ------------------------------------------------------------------------


def test_attempts_and_hits_are_summed_per_thief():
    found = stealing_of(HITS, EMPTIES).by_thief
    assert [(thief.attempts, thief.hits) for thief in found] == [(13, 3), (8, 5), (8, 8), (6, 0)]
    assert [thief.attempts_per_hit for thief in found] == [pytest.approx(13 / 3), 1.6, 1.0, None]


def test_attempts_and_hits_are_summed_per_victim():
    found = stealing_of(HITS, EMPTIES).by_victim
    assert [(victim.attempts, victim.hits) for victim in found] == [
        (15, 12),
        (8, 3),
        (7, 1),
        (5, 0),
    ]


def test_tasks_flow_from_victims_to_thieves_less_what_comes_back():
    flow = stealing_of(HITS, EMPTIES).net_flow
    assert flow == ((0, 3, 6, 0), (-3, 0, 1, 0), (-6, -1, 0, 0), (0, 0, 0, 0))


def test_the_biggest_feeder_comes_first_and_takers_are_none():
    found = stealing_of(HITS, EMPTIES).feeders
    assert [(worker.worker, worker.net_given) for worker in found] == [(0, 9)]


@given(st.integers(2, 7), st.integers(0, 1000))
def test_what_workers_give_they_take_from_each_other(workers, seed):
    hits = np.random.default_rng(seed).integers(0, 50, (workers, workers))
    np.fill_diagonal(hits, 0)
    found = stealing_of(hits.tolist(), hits.tolist())
    assert sum(victim.net_given for victim in found.by_victim) == 0
    flow = np.array(found.net_flow)
    assert (flow == hits.T - hits).all()
    most = sorted((victim.net_given for victim in found.by_victim), reverse=True)
    assert [worker.net_given for worker in found.feeders] == [
        given for given in most[:MOST_FEEDERS] if given > 0
    ]


def test_attempts_at_random_show_how_many_deques_had_work():
    # Of three others k have work: an attempt hits with k/3, so k = 3·16/35.
    found = stealing_of(HITS, EMPTIES)
    assert found.attempts_per_hit == pytest.approx(35 / 16)
    assert found.with_work == pytest.approx(48 / 35)


def test_a_pool_of_one_worker_has_no_victims():
    found = stealing_of([[0]], [[0]])
    assert (found.attempts_per_hit, found.with_work) == (None, None)
    assert found.choice.verdict == "unknown"


def test_a_shared_queue_has_no_stealing():
    held = ledger(History(2, 100))
    pool = held.pools[0]
    steals = read(held, source()).pools[0].steals
    empty = type(steals)(np.zeros((3, 0, 0), dtype=np.int64))
    assert stealing(pool, empty, 0, 100, whole=True, live=False) is None


# -- from going empty to the next task ---------------------------------------------------------


def lengths(history, begin=0, end=None):
    held = ledger(history).pools[0]
    return [times.tolist() for times in times_to_next_task(held, begin, end or history.end)]


def one(*idle_intervals, second=60):
    """Return a worker with a task until 20, idle intervals, and a task from `second` on."""
    tasks = [Task(0, 0, 0, 0, 20), Task(1, 0, 0, second, 90)]
    return History(
        1, 100, tasks, idle_intervals=[(0, *idle_interval, -1) for idle_interval in idle_intervals]
    )


def test_a_search_after_a_task_lasts_to_the_next_task():
    assert lengths(one((25, 50, False))) == [[35]]


def test_searching_and_parking_in_turn_is_one_time_from_the_first():
    assert lengths(one((22, 30, False), (30, 40, True), (41, 55, False))) == [[38]]


def test_a_task_without_an_idle_interval_before_it_is_no_time():
    assert lengths(one()) == [[]]


def test_an_idle_interval_that_touches_both_tasks_lasts_from_one_to_the_other():
    assert lengths(one((20, 60, False))) == [[40]]


def test_a_search_shorter_than_the_clocks_resolution_took_no_time():
    assert lengths(one((20, 20, False), second=20)) == [[0]]


def test_a_worker_that_has_run_nothing_has_not_gone_empty():
    history = History(1, 100, [Task(0, 0, 0, 50, 90)], idle_intervals=[(0, 10, 50, True, -1)])
    assert lengths(history) == [[]]


def test_a_worker_that_gets_no_more_tasks_is_left_out():
    history = History(1, 100, [Task(0, 0, 0, 0, 20)], idle_intervals=[(0, 20, 90, True, -1)])
    assert lengths(history) == [[]]


def test_a_time_cut_by_the_windows_edge_is_left_out():
    history = one((22, 30, False), (30, 40, True), (41, 55, False))
    assert lengths(history, begin=35) == [[]]
    assert lengths(history, end=59) == [[]]
    assert lengths(history, begin=20, end=60) == [[38]]


def test_a_search_in_a_join_ends_with_the_task_that_helps():
    history = History(1, 100, [Task(0, 0, 0, 0, 90), Task(1, 0, 0, 40, 60)])
    history.waits = [(0, 0, 10, 80)]
    history.idle_intervals = [(0, 12, 38, False, -1), (0, 62, 78, False, -1)]
    # The second search ends with the join, not with a task.
    assert lengths(history) == [[28]]


def test_an_open_task_ends_the_time_before_it():
    history = History(1, 100, [Task(0, 0, 0, 0, 20)], idle_intervals=[(0, 25, 50, False, -1)])
    held = ledger(history)
    take_in(held, levels_frame(history, workers=[[[0, 1, -1, 0, 10, -1, -1, 55, -2]]]))
    assert times_to_next_task(held.pools[0], 0, 100)[0].tolist() == [30]


def slow(history, begin, end):
    """Walk each worker's edges one by one."""
    found = []
    for worker in range(history.workers):
        edges = []
        for task in history.tasks:
            if task.worker == worker:
                edges += [(task.started, 2, "began"), (task.ended, 0, "other")]
        for waiter, _, began, ended in history.waits:
            if waiter == worker:
                edges += [(began, 0, "other"), (ended, 0, "other")]
        edges += [
            (idle_interval[1], 1, "idle")
            for idle_interval in history.idle_intervals
            if idle_interval[0] == worker
        ]
        since, ran, times = None, False, []
        for timestamp, _, what in sorted(edges):
            if not begin <= timestamp <= end:
                continue
            if what == "idle":
                since = timestamp if since is None and ran else since
                continue
            if what == "began" and since is not None:
                times.append(timestamp - since)
            since, ran = None, True
        found.append(times)
    return found


@given(st.integers(0, 10_000), st.data())
def test_times_to_the_next_task_are_those_of_a_slow_walk(seed, data):
    history = random_history(seed)
    begin = data.draw(st.integers(0, history.end - 1))
    end = data.draw(st.integers(begin + 1, history.end))
    assert lengths(history, begin, end) == slow(history, begin, end)


def test_the_quantiles_are_of_all_the_times():
    tasks, idle_intervals = [], []
    for number in range(21):
        began = number * 40 * MS
        tasks.append(Task(number, 0, number % 2, began, began + 10 * MS))
    # A worker's tasks begin every 80 ms; it goes empty 20 to 29 ms after its last one began.
    for number in range(19):
        empty = number * 40 * MS + (20 + number % 10) * MS
        idle_intervals.append((number % 2, empty, (number + 2) * 40 * MS, False, -1))
    history = History(2, 1000 * MS, tasks, idle_intervals=idle_intervals)
    found = stealing_of([[0, 1], [1, 0]], [[0, 9], [9, 0]], history)
    expected = np.array([80 - 20 - number % 10 for number in range(19)]) / 1e3
    assert found.to_next_task.count == 19
    assert found.to_next_task.median_s == pytest.approx(np.median(expected))
    assert found.to_next_task.high_s == pytest.approx(
        np.quantile(expected, 0.9, method="median_unbiased")
    )
    assert [thief.to_next_task.count for thief in found.by_thief] == [10, 9]


def test_with_rows_lost_there_is_no_time_to_the_next_task():
    history = History(1, 1000 * MS, [Task(0, 0, 0, 0, 200 * MS)])
    history.tasks += [Task(1, 0, 0, 600 * MS, 700 * MS), Task(2, 0, 0, 900 * MS, 950 * MS)]
    history.idle_intervals = [(0, 250 * MS, 500 * MS, False, -1)]
    names, *rows, levels = frames(history, batch=1)
    tasks = [frame for frame in rows if frame["table"] == "tasks"]
    others = [frame for frame in rows if frame["table"] != "tasks"]
    found = []
    for some in (tasks, [tasks[0], tasks[2]]):  # a jump in the running numbers is a loss
        held = Ledger()
        for frame in (names, levels_frame(history, at_ns=1), *some, *others, levels):
            take_in(held, frame)
        found.append(read(held, source()).pools[0].stealing.to_next_task)
    assert [to_next_task.count for to_next_task in found] == [1, 0]
    assert found[1].median_s is None


# -- views -------------------------------------------------------------------------------------


def test_the_document_says_who_took_from_whom_and_how_evenly():
    steals = json.loads(json_view.render(reading(hits=100)))["pools"][0]["steals"]
    assert [thief["looks"] for thief in steals["by_thief"]] == [1200, 1000, 800, 600]
    assert [victim["hits"] for victim in steals["by_victim"]] == [0, 300, 600, 900]
    assert steals["net_flow"][1][0] == 100
    assert steals["choice"]["verdict"] == "broken"
    assert {"effect", "pattern", "p", "thieves"} <= set(steals["choice"])


def test_the_text_says_how_victims_were_chosen_and_who_fed_the_others():
    lines = text.explain(reading(hits=100))
    assert "Choice of victims: uneven" in lines
    assert (
        "2.0 attempts for each hit, as if on average 1.5 of the 3 other deques held work" in lines
    )
    assert "Workers that gave more tasks than they took, the most first: 3 (600), 2 (200)" in lines


def test_a_pool_without_steal_attempts_has_no_lines_of_them():
    assert "Choice of victims" not in text.explain(reading(hits=0))
