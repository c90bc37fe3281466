"""Tasks that fail, hang or wait for each other: found, not found, and with too little data."""

from __future__ import annotations

from dataclasses import replace

import pytest
from readings import reading

from idlehands_monitor.analysis.verdicts.worker_findings import with_worker_findings
from idlehands_monitor.model.blocked import BlockedReading, WaitReading
from idlehands_monitor.model.tasks import HandOverReading, KindReading
from idlehands_monitor.model.vocabulary import WorkerState
from idlehands_monitor.model.worker_time import WorkerTime

SECOND = 1_000_000_000


def codes(pool):
    return [finding.code for finding in with_worker_findings(replace(pool, findings=())).findings]


def pool(*, kinds=(), failed=0, finished=100, queued=0, states=(), closed=False, **changes):
    """Return a pool of as many workers as there are states: (state, kind, for how long)."""
    (held,) = reading(workers=max(2, len(states))).pools
    workers = tuple(
        replace(worker, state=state, doing=doing, for_s=for_s)
        for worker, (state, doing, for_s) in zip(held.workers, states, strict=False)
    )
    tasks = replace(held.tasks, failed=failed, finished=finished, queued=queued, kinds=kinds)
    return replace(held, workers=workers or held.workers, tasks=tasks, closed=closed, **changes)


def kind(name="brew", finished=100, median_s=0.02, failed=0):
    return KindReading(name, finished, finished * median_s, median_s, 0, failed=failed)


WORKING, PARKED = WorkerState.WORKING, WorkerState.PARKED


# -- failing ---------------------------------------------------------------------------------------


def test_many_failed_tasks_are_a_finding_with_the_kind_that_fails_most():
    held = with_worker_findings(
        pool(failed=33, kinds=(kind("pour", failed=3), kind("brew", failed=30)))
    )
    assert held.findings[0].code == "failing-tasks"
    assert held.findings[0].where == "brew"
    assert "33 of 100 tasks failed, 33 %" in held.findings[0].sentence


@pytest.mark.parametrize(("failed", "finished"), [(0, 100), (4, 100), (4, 4), (99, 1000)])
def test_few_failed_tasks_are_none(failed, finished):
    assert codes(pool(failed=failed, finished=finished)) == []


def test_a_tenth_of_the_tasks_is_enough():
    assert codes(pool(failed=100, finished=1000)) == ["failing-tasks"]


# -- stuck -----------------------------------------------------------------------------------------


def hanging(for_s=12.0, **changes):
    states = ((WORKING, "brew", for_s), (PARKED, "", 1.0))
    return pool(**{"kinds": (kind(),), "states": states, **changes})


def test_a_task_that_runs_for_hundreds_of_medians_hangs():
    (finding,) = with_worker_findings(replace(hanging(), findings=())).findings
    assert finding.code == "stuck-worker"
    assert finding.sentence.startswith("Worker 0 has been in one task for 12 s")
    assert finding.where == "brew"


@pytest.mark.parametrize("for_s", [0.5, 2.9])
def test_a_task_that_runs_for_less_than_three_seconds_does_not_hang(for_s):
    assert codes(hanging(for_s)) == []


def test_a_task_of_a_slow_kind_does_not_hang():
    assert codes(hanging(kinds=(kind(median_s=0.5),))) == []


def test_a_kind_of_which_few_have_ended_says_nothing():
    assert codes(hanging(kinds=(kind(finished=19),))) == []


def test_a_worker_of_a_closed_pool_does_not_hang():
    assert codes(hanging(closed=True)) == []


# -- deadlock --------------------------------------------------------------------------------------


def waiting(for_s=5.0, sort="lock", queued=3, blocked=19, **changes):
    """Return two workers that wait in tasks, blocked for so many of 20 worker-seconds."""
    time = WorkerTime(blocked=blocked * SECOND, no_work=(20 - blocked) * SECOND)
    waits = (WaitReading(sort, float(blocked), 0.0, float(blocked)),)
    return pool(
        states=((WORKING, "outer", for_s), (WORKING, "outer", for_s + 1)),
        queued=queued,
        time=time,
        blocked=BlockedReading(0.0, 0.0, waits, 100, 0.0, one_core=False),
        **changes,
    )


def test_workers_that_all_wait_for_locks_beside_queued_tasks_are_a_deadlock():
    (finding,) = with_worker_findings(replace(waiting(), findings=())).findings
    assert finding.code == "nested-wait"
    assert finding.sentence.startswith("Deadlock: every worker waits inside a task")
    assert finding.where == "outer"


@pytest.mark.parametrize(
    "changes",
    [{"for_s": 2.9}, {"sort": "sleep"}, {"queued": 0}, {"blocked": 6}, {"closed": True}],
)
def test_workers_that_may_go_on_are_none(changes):
    assert codes(waiting(**changes)) == []


def test_one_worker_that_is_free_is_no_deadlock():
    held = waiting()
    free = replace(held.workers[1], state=PARKED)
    assert codes(replace(held, workers=(held.workers[0], free))) == []


# -- tasks that wait for tasks of their own pool, and go on ----------------------------------------


def nested(by_workers=50, seconds=8.0, sort="lock", join_s=0.0, finished=100):
    """Return four workers over 20 worker-seconds, so many of them waiting for a lock."""
    waits = (WaitReading(sort, seconds, 0.0, seconds),) if seconds else ()
    return pool(
        finished=finished,
        kinds=(kind("outer"),),
        time=WorkerTime(working=20 * SECOND),
        blocked=BlockedReading(join_s, 0.0, waits, 100, 0.0, one_core=False),
        hand_overs=HandOverReading(((100 - by_workers, 0), (by_workers, 0))),
    )


def test_waits_for_a_lock_in_a_pool_that_hands_tasks_to_itself_are_nested_waits():
    (finding,) = with_worker_findings(replace(nested(), findings=())).findings
    assert (finding.code, finding.where) == ("nested-wait", "outer")
    assert "40 % of the worker time" in finding.sentence


def test_idle_joins_are_nested_waits_whoever_hands_in():
    assert codes(nested(by_workers=0, seconds=0.0, join_s=6.0)) == ["nested-wait"]


@pytest.mark.parametrize(
    "changes",
    [{"by_workers": 19}, {"seconds": 4.9}, {"sort": "sleep"}, {"finished": 19}],
)
def test_other_waits_and_short_ones_are_none(changes):
    assert codes(nested(**changes)) == []
