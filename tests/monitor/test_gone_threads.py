"""Threads of a hand-written pool that end without saying so: its probe cannot know."""

from __future__ import annotations

import os
import threading

import pytest
from readings import source

from helpers import wait_until
from histories import History, Task, frames, ledger, levels_frame, names_frame, take_in
from idlehands_monitor.analysis.assemble import read, read_pool
from idlehands_monitor.ingest.sources import host, thread_counters
from idlehands_monitor.views import text

SECOND = 1_000_000_000
OPEN_TASK = [0, 1, -1, 0, 5 * SECOND, -1, -1, 5 * SECOND, -2]
"""Task 1 of kind 0, begun after five seconds."""


def pool_with_a_gone_thread(doing=(OPEN_TASK,), seen=(1, 8)):
    """Return the ledger of two workers over 20 s; the thread of worker 0 was last seen at 8 s."""
    history = History(2, 20 * SECOND, [Task(0, 0, 0, 0, 5 * SECOND)])
    history.idle_intervals = [(1, 0, 20 * SECOND, True, -1)]
    held = ledger(history)
    for at_s in seen:
        threads = {100: [at_s * SECOND, 0], 101: [0, 0]}
        take_in(held, {"frame": "host", "at_ns": at_s * SECOND, "threads": threads})
    gone = {"frame": "host", "at_ns": 9 * SECOND, "threads": {101: [0, 0]}, "gone": [100]}
    take_in(held, levels_frame(history, workers=[list(doing), []]))
    take_in(held, gone)
    assert held.skipped_frames == 0
    return held


def test_the_time_and_the_task_of_a_thread_that_is_gone_end_when_it_was_last_seen():
    held = pool_with_a_gone_thread()
    pool = read_pool(held, held.pools[0], 0, 20 * SECOND)
    assert pool.workers[0].time.total == 8 * SECOND
    assert (pool.workers[0].state, pool.tasks.lost, pool.tasks.running) == ("died", 1, 0)
    assert pool.time.total == 28 * SECOND
    assert pool.findings[0].code == "lost-worker"
    assert pool.findings[0].sentence == (
        "A worker died: worker 0, a thread, in task, 3.0 s after that task began."
    )


def test_a_thread_that_was_gone_before_anybody_attached_ends_with_its_last_sign_of_life():
    held = pool_with_a_gone_thread(seen=())
    pool = read_pool(held, held.pools[0], 10 * SECOND, 20 * SECOND)
    assert pool.workers[0].time.total == 0
    assert pool.findings[0].code == "lost-worker"
    assert "1 worker at the end" in text.explain(read(held, source(), None))


def test_a_thread_that_ends_without_a_task_has_left():
    held = pool_with_a_gone_thread(doing=())
    pool = read_pool(held, held.pools[0], 0, 20 * SECOND)
    assert (pool.workers[0].state, pool.lifetimes.left, pool.lifetimes.died) == ("left", 1, 0)
    assert "lost-worker" not in [finding.code for finding in pool.findings]


def test_what_a_thread_did_before_it_was_gone_counts_though_it_is_sent_later():
    """The kernel may be asked between two flushes of the probe."""
    history = History(
        2, 20 * SECOND, [Task(0, 0, 0, 0, 5 * SECOND), Task(1, 0, 0, 5 * SECOND, 9 * SECOND)]
    )
    history.idle_intervals = [(1, 0, 20 * SECOND, True, -1)]
    names, *rows, levels = frames(history, batch=1)
    earlier = [frame for frame in rows if frame["first"] == 0]
    later = [frame for frame in rows if frame["first"] > 0]
    gone = {"frame": "host", "at_ns": 6 * SECOND, "threads": {101: [0, 0]}, "gone": [100]}
    held = ledger(History(2, 20 * SECOND, []))
    take_in(held, names, *earlier, gone, *later, levels)
    assert held.pools[0].gone == {0: 9 * SECOND}
    pool = read_pool(held, held.pools[0], 0, 20 * SECOND)
    assert pool.workers[0].time.total == 9 * SECOND
    assert pool.tasks.finished == 2


def test_a_worker_whose_thread_is_another_one_now_is_there_again():
    held = pool_with_a_gone_thread()
    threads = [[0, 555, 1, "again"], [1, 101, 2, "second"]]
    take_in(held, names_frame(2, threads=threads))
    assert held.pools[0].gone == {}


@pytest.mark.skipif(not os.path.isdir("/proc/self/task"), reason="looks at /proc")
def test_a_sample_names_the_threads_that_are_gone():
    thread = threading.Thread(target=lambda: None)
    thread.start()
    thread.join()
    wait_until(lambda: thread.native_id not in host.thread_ids(os.getpid()), "the thread's end")
    frame = thread_counters.sample(
        [(os.getpid(), threading.get_native_id()), (os.getpid(), thread.native_id)]
    )
    assert frame["gone"] == [thread.native_id]
    assert list(frame["threads"]) == [threading.get_native_id()]
