"""Tasks that flow through a pool: which are in it and when, against a slow count and by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading, source

from histories import NEVER, History, Task, frames, ledger, levels_frame, random_history, take_in
from idlehands.wire import CANCELLED, LOST, WAITS, encode_columns
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.queueing.flow import LEAST_TASKS, in_pool
from idlehands_monitor.analysis.queueing.theory import little, mmc_wait
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.ledger.rows import Recent, own_ns
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views import text

MS = 1_000_000


def regular(tasks=40, *, queued=4, run=10, every=20):
    """Return a pool of one worker: a task each `every` ms, begun `queued` ms later, `run` long."""
    history = History(1, tasks * every * MS)
    for number in range(tasks):
        spawned = number * every * MS
        started = spawned + queued * MS
        history.tasks.append(Task(number, spawned, 0, started, started + run * MS))
    return history


def flow(history, window_ns=None):
    return pool_reading(ledger(history), window_ns).queueing


def pool_reading(held, window_ns=None):
    return read(held, source(), window_ns).pools[0]


# -- who is in the pool ------------------------------------------------------------------------


def left_at(task):
    return task.started if task.outcome == CANCELLED else task.ended


def random_pool(seed):
    """Return a random history in which some tasks are cancelled and some lost with their worker."""
    history = random_history(seed)
    for task in history.tasks:
        if task.worker < 0 and task.number % 2:
            task.started = task.ended = min(history.end, task.spawned + 7)
            task.outcome = CANCELLED
        elif task.worker >= 0 and task.number % 5 == 0:
            task.outcome = LOST
    return history


@given(st.integers(0, 10_000), st.data())
def test_the_tasks_in_a_pool_are_those_of_a_slow_count(seed, data):
    history = random_pool(seed)
    begin = data.draw(st.integers(0, history.end - 1))
    end = data.draw(st.integers(begin + 1, history.end))
    found = little(*in_pool(ledger(history).pools[0], begin, end), begin, end)
    counted = sum(
        task.spawned <= timestamp < left_at(task)
        for task in history.tasks
        for timestamp in range(begin, end)
    )
    assert found.area_ns == counted
    assert found.area_ns == found.finished_ns - found.before_ns + found.after_ns
    came = [task for task in history.tasks if begin <= task.spawned < end]
    assert found.arrivals == len(came)


@given(st.integers(0, 10_000), st.data())
def test_forgetting_the_past_changes_nobody_in_the_pool(seed, data):
    history = random_pool(seed)
    begin = data.draw(st.integers(0, history.end - 1))
    held = ledger(history).pools[0]
    whole = little(*in_pool(held, begin, history.end), begin, history.end)
    held.forget_before(begin)
    assert little(*in_pool(held, begin, history.end), begin, history.end) == whole


def test_tasks_handed_in_with_one_timestamp_are_distinguished_by_their_number():
    history = History(1, 100)
    history.tasks = [Task(0, 10, 0, 10, 30), Task(1, 10, 0, 30, 50), Task(2, 10)]
    arrived, departed = in_pool(ledger(history).pools[0], 0, 100)
    assert arrived.tolist() == [10, 10, 10]
    assert sorted(departed.tolist())[:2] == [30, 50]
    assert departed.max() > 100


def test_an_open_task_is_in_the_pool_until_the_end_of_the_window():
    history = History(1, 100, [Task(0, 10)])
    held = ledger(history)
    open_task = [[0, 0, -1, 0, 10, -1, -1, 40, -2]]
    take_in(held, levels_frame(history, workers=[open_task]))
    found = little(*in_pool(held.pools[0], 0, 100), 0, 100)
    assert (found.area_ns, found.at_end, found.after_ns) == (90, 1, 90)


def test_timestamps_that_run_backwards_do_not_break_a_reading():
    history = regular()
    for task in history.tasks[::3]:
        task.spawned, task.started = -NEVER, -NEVER
    history.tasks[1].spawned = NEVER
    json_view.render(read(ledger(history), source()))


def test_a_wait_in_which_others_ran_is_not_the_tasks_own_time():
    history = History(1, 100, [Task(0, 0, 0, 10, 60), Task(1, 0, 0, 20, 40)])
    held = ledger(history)
    row = [(0, 15, 45, -1, 1)]
    columns = encode_columns(WAITS.names, list(zip(*row, strict=True)))
    wait = {"frame": "rows", "pool": 0, "table": "waits", "worker": 0, "first": 0, "rows": 1}
    take_in(held, {**wait, "complete_ns": 100, "columns": columns})
    pool = held.pools[0]
    own = dict(
        zip(
            pool.tasks["task"].tolist(),
            own_ns(pool, Recent(pool.tasks, 0), pool.tasks["task"] >= 0),
            strict=True,
        )
    )
    assert own == {0: 20, 1: 20}


# -- the reading -------------------------------------------------------------------------------


def test_a_regular_pool_by_hand():
    # Every 20 ms a task that waits 4 ms and runs 10: L = 0.7, and nothing varies.
    found = flow(regular())
    assert found.servers == 1
    assert found.arrival_rate == pytest.approx(50.0)
    assert found.mean_in_pool == pytest.approx(0.7)
    assert found.mean_time_s == pytest.approx(0.014)
    assert found.mean_queue_wait_s == pytest.approx(0.004)
    assert found.mean_service_s == pytest.approx(0.010)
    assert found.utilisation == pytest.approx(0.5)
    assert found.arrival_variation == pytest.approx(0.0, abs=1e-12)
    assert found.service_variation == pytest.approx(0.0, abs=1e-12)
    assert found.mmc_wait_s == pytest.approx(0.010)  # M/M/1: ρτ/(1 − ρ)
    assert found.allen_cunneen_wait_s == pytest.approx(0.0, abs=1e-12)
    assert (found.closed, found.before_s, found.after_s) == (True, 0, 0)


def test_a_window_that_cuts_a_task_is_not_closed_and_says_by_how_much():
    # The last window of 672 ms begins 8 ms into a task that leaves 6 ms later, and ends empty.
    found = flow(regular(), 672 * MS)
    assert not found.closed
    assert found.before_s == pytest.approx(0.008)
    assert found.after_s == 0


def test_the_wait_by_theory_is_that_of_the_measured_rates():
    history = regular(60)
    draw = np.random.default_rng(5)
    for task in history.tasks:
        task.ended -= int(draw.integers(0, 8)) * MS
    found = flow(history)
    wait = mmc_wait(found.arrival_rate, found.mean_service_s, 1)
    assert found.arrival_rate * found.mean_service_s == pytest.approx(found.utilisation)
    assert found.mmc_wait_s == wait
    halved = (found.arrival_variation + found.service_variation) / 2
    assert found.allen_cunneen_wait_s == pytest.approx(halved * wait)


def test_a_batch_handed_in_before_the_window_has_no_wait_by_theory():
    history = regular()
    for task in history.tasks:
        task.spawned = 0
    found = flow(history, 790 * MS)
    assert found.arrival_rate == 0
    assert found.mmc_wait_s is None
    assert found.allen_cunneen_wait_s is None
    assert found.mean_in_pool > 10


def test_tasks_that_come_faster_than_they_can_be_run_wait_without_bound():
    history = regular()
    history.tasks += [Task(40 + n, n * 8 * MS) for n in range(90)]
    found = flow(history)
    assert found.mmc_wait_s == math.inf
    assert found.after_s > 0


def test_below_the_least_number_of_tasks_there_is_no_reading():
    few, enough = pool_reading(ledger(regular(LEAST_TASKS - 1))), ledger(regular(LEAST_TASKS))
    assert (few.queueing, few.balance) == (None, None)
    assert pool_reading(enough).queueing is not None
    assert pool_reading(enough).balance is not None


def test_where_the_record_was_thinned_there_is_no_reading():
    held = Ledger()
    for frame in frames(regular()):
        steps = {"steps": [[100 * MS, 2]], "sampled_by": "spawned_ns"}
        take_in(held, {**frame, **steps} if frame["frame"] == "names" else frame)
    found = pool_reading(held)
    assert (found.queueing, found.balance) == (None, None)


def test_where_rows_were_lost_there_is_no_queueing():
    held = ledger(regular())
    take_in(held, {"frame": "lost", "pool": 0, "table": "tasks", "worker": 0, "rows": 5})
    more = regular(80)
    more.tasks = [replace(task, number=task.number) for task in more.tasks[45:]]
    for frame in frames(more):
        if frame["frame"] == "rows" and frame["table"] == "tasks":
            take_in(held, {**frame, "first": 45})
        elif frame["frame"] == "levels":
            take_in(held, frame)
    found = pool_reading(held)
    assert found.unrecorded_s > 0
    assert found.queueing is None


def test_balance_compares_the_time_in_tasks_of_the_workers():
    # Worker 0 runs 40 tasks of 10 ms, worker 1 twenty: mean 300 ms, most 400 ms.
    history = regular()
    history.workers = 2
    history.tasks += [
        replace(task, number=40 + n, worker=1) for n, task in enumerate(history.tasks[:20])
    ]
    found = pool_reading(ledger(history)).balance
    assert found.workers == 2
    assert found.imbalance == pytest.approx(1 / 3)
    assert found.imbalance_s == pytest.approx(0.1)
    assert found.jain == pytest.approx(0.9)


# -- the views ---------------------------------------------------------------------------------


def test_text_says_how_tasks_flowed_and_how_even_it_was():
    written = text.explain(read(ledger(regular()), source()))
    assert "Queueing: 50.0 tasks/s came in; on average 0.7 were in the pool" in written
    assert "mean wait in the queue 4.0 ms" in written
    assert "theory expects" not in written, "tasks came at even times: no formula is for that"
    assert "was in tasks for 0 µs (0%) longer than the mean worker" in written


@pytest.mark.parametrize(
    ("wait_s", "is_said"), [(0.004, False), (0.006, True), (0.019, True), (0.021, False)]
)
def test_text_says_what_theory_expects_where_it_fits_the_measured_wait(wait_s, is_said):
    whole = read(ledger(regular()), source())
    (pool,) = whole.pools
    flow = replace(pool.queueing, mean_queue_wait_s=wait_s, allen_cunneen_wait_s=0.01)
    written = text.explain(replace(whole, pools=(replace(pool, queueing=flow),)))
    assert ("theory expects" in written) == is_said


def test_text_is_silent_where_there_is_too_little_to_say():
    written = text.explain(reading())
    assert "Queueing" not in written
    assert "Balance" not in written


def test_json_has_both_and_writes_a_wait_without_bound_as_null():
    history = regular()
    history.tasks += [Task(40 + n, n * 8 * MS) for n in range(90)]
    whole = read(ledger(history), source())
    (pool,) = json.loads(json_view.render(whole))["pools"]
    assert pool["queueing"]["mmc_wait_s"] is None
    assert pool["queueing"]["utilisation"] == pytest.approx(0.5)
    assert pool["balance"]["jain"] == pytest.approx(1.0)
    assert "theory expects" not in text.explain(whole)


def test_json_writes_null_where_there_is_too_little_to_say():
    (pool,) = json.loads(json_view.render(reading()))["pools"]
    assert (pool["queueing"], pool["balance"]) == (None, None)
