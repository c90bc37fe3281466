"""The sentence on lost workers: who died first and how, and that nobody is left."""

from __future__ import annotations

from dataclasses import replace

import pytest
from readings import reading
from test_shared_queue import shared_ledger

from histories import take_in
from idlehands.wire import DIED
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.verdicts.lost_workers import lost_workers
from idlehands_monitor.model.source import SourceReading
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.model.worker_time import WorkerTime
from idlehands_monitor.model.workers import DeadWorkerReading, LifetimesReading

SECOND = 1_000_000_000


def sentence(lifetimes, queued=0):
    (pool,) = reading().pools
    tasks = replace(pool.tasks, queued=queued)
    (finding,) = lost_workers(WorkerTime(working=20 * SECOND), lifetimes, "", tasks)
    return finding.sentence


def thread(worker, at_s, *errors, kind="press"):
    return DeadWorkerReading(worker, 7, kind, 1.5, at_s * SECOND, is_thread=True, errors=errors)


def test_of_a_pool_without_workers_the_first_death_and_what_is_left_undone_are_said():
    gone = LifetimesReading(0, 2, 0, 2, (thread(0, 1, "KeyError"), thread(1, 2)), none_for_s=41.2)
    assert sentence(gone, 12) == (
        "No worker is left, for 41 s, and 12 tasks are queued that nobody will run. The first "
        "death: worker 0, a thread, in press, 1.5 s after that task began, by KeyError."
    )


def test_of_killed_processes_the_first_death_names_its_signal():
    killed = DeadWorkerReading(0, 901, "press", 0.5, SECOND, exit_status=-9)
    gone = LifetimesReading(0, 1, 0, 1, (killed,), none_for_s=5.0)
    assert "process 901 was killed by signal 9 (SIGKILL) in press" in sentence(gone, 1)


def test_of_a_pool_whose_workers_have_all_left_nobody_died():
    gone = LifetimesReading(0, 2, 2, 0, (), none_for_s=9.0)
    assert sentence(gone, 1) == (
        "No worker is left, for 9 s, and 1 task is queued that nobody will run: all of them have "
        "left the pool."
    )


def test_of_several_deaths_the_first_and_the_last_are_said():
    gone = LifetimesReading(
        1, 3, 0, 2, (thread(0, 1, "KeyError"), thread(1, 9, "OSError", kind="sew"))
    )
    said = sentence(gone)
    assert "the first one was worker 0, a thread, in press" in said
    assert "by KeyError, the last one worker 1, a thread, in sew" in said
    assert said.endswith("by OSError.")


def test_which_of_many_exceptions_ended_a_thread_is_not_guessed():
    gone = LifetimesReading(1, 2, 0, 1, (thread(0, 1, "Error0", "Error1", "Error2"),))
    assert "Error" not in sentence(gone)


def deserted(end_s, ends_s=(1.0, 2.0)):
    """Return the pool of a reading: two threads died, and a task is queued."""
    tasks = [(worker, 0, SECOND // 2, int(at * SECOND), 3) for worker, at in enumerate(ends_s)]
    lives = [(worker, 0, int(at * SECOND), DIED) for worker, at in enumerate(ends_s)]
    ledger = shared_ledger(tasks, lives, int(end_s * SECOND), workers=2)
    levels = {"frame": "levels", "pool": 0, "at_ns": int(end_s * SECOND), "inbox": 1, "deques": []}
    counts = {"misuses": 0, "ran": [1, 1], "spawned": 3, "raised": [[0, "KeyError", 2]]}
    take_in(ledger, {**levels, **counts, "workers": [[], []]})
    return read(ledger, SourceReading("x", StreamState.REPLAY)).pools[0]


@pytest.mark.parametrize(("end_s", "none_for_s"), [(2.5, 0.5), (12.0, 10.0)])
def test_how_long_nobody_has_been_there_is_counted_from_the_last_end(end_s, none_for_s):
    assert deserted(end_s).lifetimes.none_for_s == pytest.approx(none_for_s)


def test_a_deserted_pool_is_named_in_its_reading():
    pool = deserted(12.0)
    assert pool.findings[0].code == "lost-worker"
    assert pool.findings[0].sentence.startswith("No worker is left, for 10 s")
    assert "KeyError" in pool.findings[0].sentence
