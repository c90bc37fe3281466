"""Of which processes stacks are taken: those whose workers wait inside tasks."""

from __future__ import annotations

import pytest

from histories import History, Task, frames, levels_frame, names_frame
from idlehands_monitor.ingest import checked_frames
from idlehands_monitor.ingest.sources.waiting_workers import (
    LEAST_IDLE,
    LEAST_SAMPLES,
    RECENT_NS,
    WaitingWorkers,
)
from idlehands_monitor.model.findings import LEAST_SHARE

SECOND = 1_000_000_000
PID = 4711
QUARTER = SECOND // 4


def host(at_ns, waits, workers):
    threads = {100 + worker: [0, 0] for worker in range(workers)}
    return {"frame": "host", "at_ns": at_ns, "threads": threads, "waits": waits}


ALLOWED = {0: {(PID, 100), (PID, 101), (9000, 100)}}


def taken(*given, waiting=None, allowed=ALLOWED):
    """Have the frames taken in, as from the probe of one process."""
    waiting = waiting or WaitingWorkers()
    for frame in given:
        waiting.take(PID, checked_frames(frame), allowed)
    return waiting


def open_task(worker, workers, started_ns=0):
    row = [0, 1, -1, 0, 0, -1, -1, started_ns, -2]
    return [[row] if one == worker else [] for one in range(workers)]


def stream(samples, waits, *, workers=2, in_task=True, waiting=None):
    """Return what is known after so many samples, each followed by its levels."""
    found = taken(names_frame(workers), waiting=waiting)
    for number in range(samples):
        at_ns = number * QUARTER
        levels = levels_frame(History(workers, at_ns + 1000))
        if in_task:
            levels["workers"] = open_task(0, workers)
        taken(host(at_ns, waits, workers), levels, waiting=found)
    return found


def now(samples=LEAST_SAMPLES):
    return samples * QUARTER


@pytest.mark.parametrize("wait", ["lock", "interpreter lock", "sleep", "input/output", "other"])
def test_a_process_whose_worker_waits_in_a_task_is_sampled(wait):
    assert stream(LEAST_SAMPLES, {100: wait}).processes(now()) == {PID: PID}


def test_one_sample_less_than_needed_says_nothing():
    assert stream(LEAST_SAMPLES - 1, {100: "lock"}).processes(now()) == {}


def test_a_worker_that_runs_is_not_waiting():
    assert stream(LEAST_SAMPLES, {100: "running"}).processes(now()) == {}


def test_a_parked_worker_that_waits_is_not_in_a_task():
    waits = {100: "running", 101: "lock"}
    assert stream(LEAST_SAMPLES, waits).processes(now()) == {}
    assert stream(LEAST_SAMPLES, waits, in_task=False).processes(now()) == {}


@pytest.mark.parametrize(("number", "is_sampled"), [(1, False), (2, True)])
def test_stacks_are_taken_from_the_share_on_from_which_there_is_a_finding(number, is_sampled):
    samples = RECENT_NS // QUARTER
    assert LEAST_SHARE * samples == 2
    waiting = stream(samples - number, {100: "running"}, workers=1)
    for sample in range(number):
        at_ns = samples * QUARTER - 1 - sample
        levels = levels_frame(History(1, at_ns + 1), workers=open_task(0, 1))
        taken(host(at_ns, {100: "lock"}, 1), levels, waiting=waiting)
    assert (waiting.processes(samples * QUARTER) == {PID: PID}) is is_sampled


def test_what_was_long_ago_does_not_count():
    found = stream(LEAST_SAMPLES, {100: "lock"})
    assert found.processes(now() + RECENT_NS) == {}


def test_a_task_that_has_ended_since_the_sample_counts_by_its_row():
    history = History(2, LEAST_SAMPLES * SECOND)
    history.tasks = [
        Task(n, 0, 0, n * SECOND, n * SECOND + SECOND // 2) for n in range(LEAST_SAMPLES)
    ]
    names, *rows, levels = frames(history)
    inside, between = WaitingWorkers(), WaitingWorkers()
    for waiting, at_ns in ((inside, QUARTER), (between, 3 * QUARTER)):
        sampled = [host(n * SECOND + at_ns, {100: "lock"}, 2) for n in range(LEAST_SAMPLES)]
        taken(names, *sampled, *rows, levels, waiting=waiting)
    assert inside.processes(history.end) == {PID: PID}
    assert between.processes(history.end) == {}


def test_a_task_is_compared_with_the_moment_at_which_its_own_worker_was_sampled():
    history = History(2, LEAST_SAMPLES * SECOND)
    history.tasks = [
        Task(n, 0, 1, n * SECOND, n * SECOND + SECOND // 2) for n in range(LEAST_SAMPLES)
    ]
    names, *rows, levels = frames(history)
    sampled = [
        {
            **host(n * SECOND + 3 * QUARTER, {101: "lock"}, 2),
            "moments": {100: n * SECOND + QUARTER, 101: n * SECOND + 3 * QUARTER},
        }
        for n in range(LEAST_SAMPLES)
    ]
    assert taken(names, *sampled, *rows, levels).processes(history.end) == {}


def test_a_worker_process_is_sampled_and_not_the_process_of_the_pool():
    waiting = taken(names_frame(1, threads=[[0, 100, 1000, "worker", 9000]]))
    for number in range(LEAST_SAMPLES):
        levels = levels_frame(History(1, number * QUARTER + 1), workers=open_task(0, 1))
        taken(host(number * QUARTER, {100: "sleep"}, 1), levels, waiting=waiting)
    assert waiting.processes(now()) == {9000: PID}


def test_a_process_that_only_the_probe_names_is_not_sampled():
    """Another pool of the same probe may name the same thread in a process of its own."""
    waiting = taken(names_frame(1, threads=[[0, 100, 1000, "worker", 9000]]), allowed={0: set()})
    for number in range(LEAST_SAMPLES):
        levels = levels_frame(History(1, number * QUARTER + 1), workers=open_task(0, 1))
        taken(host(number * QUARTER, {100: "sleep"}, 1), levels, waiting=waiting)
    assert waiting.processes(now()) == {}


def test_where_waits_may_not_be_read_a_worker_in_a_task_is_enough():
    assert stream(LEAST_SAMPLES, {}).processes(now()) == {PID: PID}
    assert stream(LEAST_SAMPLES, {}, in_task=False).processes(now()) == {}


@pytest.mark.parametrize(
    "last", [{"frame": "withdrawn", "pool": 0}, names_frame(2, closed_ns=SECOND)]
)
def test_a_pool_that_is_gone_is_forgotten(last):
    waiting = taken(last, waiting=stream(LEAST_SAMPLES, {100: "lock"}))
    assert waiting.processes(now()) == {}


def test_a_process_that_has_ended_is_forgotten():
    waiting = stream(LEAST_SAMPLES, {100: "lock"})
    waiting.forget(PID)
    assert waiting.processes(now()) == {}


def fed(wait, *, idle_of_16=16):
    """Return what is known of 16 workers of which some have no task, beside another thread."""
    found = taken(names_frame(16), allowed={0: {(PID, 100 + one) for one in range(16)}})
    for number in range(LEAST_SAMPLES):
        at_ns = number * QUARTER
        levels = levels_frame(History(16, at_ns + 1000))
        levels["workers"] = [
            [] if one < idle_of_16 else open_task(one, one + 1)[one] for one in range(16)
        ]
        waits = {900: wait, **{100 + one: "running" for one in range(16)}}
        given = {**host(at_ns, waits, 16), "beside": [900]}
        taken(given, levels, waiting=found, allowed={0: {(PID, 100 + one) for one in range(16)}})
    return found


def test_a_process_whose_workers_have_no_task_while_another_thread_runs_is_sampled():
    assert fed("running").processes(now()) == {PID: PID}


def test_a_process_in_which_nothing_runs_is_not_sampled_however_idle_it_is():
    assert fed("sleep").processes(now()) == {}


@pytest.mark.parametrize(("fewer", "is_sampled"), [(0, True), (1, False)])
def test_few_idle_workers_beside_a_thread_that_runs_are_no_reason_for_stacks(fewer, is_sampled):
    idle = int(16 * LEAST_IDLE) - fewer
    found = fed("running", idle_of_16=idle)
    assert (found.processes(now()) == {PID: PID}) is is_sampled
