"""Two pools side by side: apart as they should be, and with the switch that crosses them."""

from __future__ import annotations

import threading
from collections import Counter

import pytest

from idlehands_demo import tide
from idlehands_demo.faults import FAULTS, NO_FAULT
from idlehands_demo.pool import WorkStealingPool, pair
from idlehands_demo.scenarios import Settings
from idlehands_demo.switches import Switches
from idlehands_demo.tide import run_twin_archives

CROSSED = Switches(steals_across_pools=True)


@pytest.fixture
def twins(make_pool):
    def make(switches=None, workers=2):
        first, second = (make_pool(workers, switches=switches) for _ in range(2))
        pair(first, second)
        return first, second

    return make


def held_up(pool):
    """Hold every worker of a pool in a task; return the event that lets them go."""
    release, inside = threading.Event(), threading.Semaphore(0)

    def hold():
        inside.release()
        release.wait(20)

    for _ in range(pool.workers):
        pool.submit(hold)
        assert inside.acquire(timeout=20)
    return release


def spread(pool, count, seen):
    """Task: spawn `count` tasks that note which pool's worker runs them, and join them."""
    tasks = [pool.spawn(lambda: seen.update([pool.current_worker().pool])) for _ in range(count)]
    for task in tasks:
        task.join()


def busy_parent(pool, count, seen, release):
    """Task: spawn, then wait outside the pool so that only thieves can run what was spawned."""
    for _ in range(count):
        pool.spawn(lambda: seen.update([pool.current_worker().pool]))
    release.wait(20)


@pytest.mark.parametrize("switches", [None, CROSSED], ids=["apart", "crossed"])
def test_only_crossed_twins_take_each_others_tasks(twins, wait_until, switches):
    first, second = twins(switches, workers=1)
    seen, release = Counter(), threading.Event()
    first.submit(busy_parent, first, 50, seen, release)
    if switches is None:
        wait_until(lambda: first.deque_depths()[1] == [50])
        wait_until(lambda: second.parked == 1)
        second.submit(lambda: None).join(20)
        assert (seen, first.tasks_moved) == (Counter(), 0)
    else:
        wait_until(lambda: first.deque_depths()[1] == [50])
        second.submit(lambda: None).join(20)  # wakes its worker, which then tries the twin's deques
        wait_until(lambda: seen[second] == 50)
        assert first.tasks_moved == 50
    release.set()


def test_what_an_adopted_task_spawns_belongs_to_the_pool_that_runs_it(twins, wait_until):
    first, second = twins(CROSSED, workers=1)
    seen, release = Counter(), threading.Event()

    def parent():
        first.spawn(spread, first, 20, seen)
        release.wait(20)

    first.submit(parent)
    wait_until(lambda: first.deque_depths()[1] == [1])
    second.submit(lambda: None).join(20)
    wait_until(lambda: seen[second] == 20)
    assert first.tasks_moved == 1
    assert second.tasks_spawned == 1 + 1 + 20  # from outside, adopted, and its children
    release.set()


def test_a_joiner_is_woken_when_the_other_pool_has_run_its_task(twins, wait_until):
    first, second = twins(CROSSED, workers=1)
    running = threading.Event()

    def parent():
        child = first.spawn(lambda: "done elsewhere")
        running.set()
        wait_until(lambda: first.deque_depths()[1] == [0])
        return child.join()

    task = first.submit(parent)
    assert running.wait(20)
    second.submit(lambda: None).join(20)
    assert task.join(20) == "done elsewhere"


def test_crossed_pools_end_and_account_for_every_task(twins):
    first, second = twins(CROSSED, workers=4)
    seen = Counter()
    for pool in (first, second) * 20:
        pool.submit(spread, pool, 30, seen)
    for pool in (first, second):
        pool.shutdown()
    for pool in (first, second):
        gone = pool.tasks_finished + pool.tasks_cancelled + pool.tasks_moved
        assert pool.tasks_spawned == gone
    assert sum(seen.values()) == 40 * 30


def test_cancelling_one_of_two_crossed_pools_leaves_the_other_whole(twins):
    first, second = twins(CROSSED, workers=2)
    release = held_up(first)
    seen = Counter()
    for _ in range(50):
        first.submit(spread, first, 5, seen)
    tasks = [second.submit(lambda: 7) for _ in range(50)]
    first.shutdown(wait=False, cancel=True)
    release.set()
    assert [task.join(20) for task in tasks] == [7] * 50
    second.shutdown()


@pytest.mark.parametrize("fault", [NO_FAULT, FAULTS["crossed-pools"]], ids=lambda f: f.name)
def test_the_twin_archives_come_out_right(monkeypatch, fault):
    stop, seen = threading.Event(), []
    moved = threading.Event()

    class Watched(WorkStealingPool):
        """A pool that says when the first task of it has gone to the other one."""

        def task_settled(self, by):
            super().task_settled(by)
            if self.tasks_moved:
                moved.set()

    monkeypatch.setattr(tide, "WorkStealingPool", Watched)
    settings = Settings(workers=4, fault=fault)
    run = threading.Thread(target=lambda: seen.append(run_twin_archives(settings, stop)))
    run.start()
    moved.wait(30 if fault is not NO_FAULT else 1)
    stop.set()
    run.join(30)
    (outcome,) = seen
    assert outcome.totals_ok
    assert [pool.name for pool in outcome.pools] == ["north-archive", "south-archive"]
    assert moved.is_set() == (fault is not NO_FAULT)
