"""The pool runs every task once, whatever the schedule, and neither loses a wake-up nor spins."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter

import pytest

from idlehands.wire import WAITS
from idlehands_demo.parking import ParkingTicket, Sleepers
from idlehands_demo.switches import Switches
from idlehands_demo.task import Task, TaskCancelled

PATIENCE = 30.0


def fibonacci(pool, n):
    if n < 2:
        return n
    first = pool.spawn(fibonacci, pool, n - 1)
    second = pool.spawn(fibonacci, pool, n - 2)
    return second.join() + first.join()


class RandomTree:
    """Tasks that spawn children at random, join some of them, and note each run by name."""

    def __init__(self, pool, seed):
        self.pool = pool
        self.seed = seed
        self.runs = []

    def children(self, name):
        generator = random.Random(f"{self.seed}/{name}")
        return [] if len(name) > 4 else list(range(generator.choice([1, 2, 3, 4])))

    def node(self, name):
        spawned = [self.pool.spawn(self.node, (*name, child)) for child in self.children(name)]
        self.runs.append(name)
        if random.Random(f"{name}/{self.seed}").random() < 0.7:
            for task in spawned:
                task.join()

    def expected(self, name=()):
        names = [name]
        for child in self.children(name):
            names += self.expected((*name, child))
        return names


@pytest.mark.usefixtures("fine_switching")
@pytest.mark.parametrize("workers", [1, 2, 3, 8])
def test_random_trees_run_every_task_exactly_once(make_pool, workers):
    pool = make_pool(workers)
    trees = [RandomTree(pool, seed) for seed in range(20)]
    for tree in trees:
        pool.submit(tree.node, ())
    pool.shutdown()
    for tree in trees:
        assert Counter(tree.runs) == Counter(tree.expected())
    assert pool.tasks_finished == pool.tasks_spawned == sum(len(t.runs) for t in trees)


@pytest.mark.parametrize("workers", [1, 2, 5, 8])
@pytest.mark.parametrize(
    "switches",
    [
        Switches(),
        Switches(victims_in_fixed_order=True),
        Switches(victims_nearest_neighbour=True),
        Switches(thieves_take_newest=True),
        Switches(owners_take_oldest=True),
        Switches(parks_after_one_failed_attempt=True),
        Switches(global_lock_around_deques=True),
    ],
    ids=lambda switches: next((k for k, on in vars(switches).items() if on), "none"),
)
def test_nested_joins_are_right_with_every_switch(make_pool, workers, switches):
    pool = make_pool(workers, switches=switches)
    assert pool.submit(fibonacci, pool, 15).join(PATIENCE) == 610


def test_one_worker_runs_its_newest_task_first_in_serial_depth_first_order(make_pool):
    # D. Chase, Y. Lev 2005, "Dynamic circular work-stealing deque": the owner works at the
    # bottom, so without thieves the order is that of a depth-first walk, last child first.
    pool = make_pool(1)
    order = []

    def node(name, depth):
        order.append(name)
        for child in "abc" if depth else "":
            pool.spawn(node, name + child, depth - 1)

    pool.submit(node, "", 2)
    pool.shutdown()

    def walk(name, depth):
        yield name
        for child in "cba" if depth else "":
            yield from walk(name + child, depth - 1)

    assert order == list(walk("", 2))


def test_one_worker_runs_inbox_tasks_in_the_order_of_submission(make_pool):
    pool = make_pool(1)
    order = []
    for number in range(100):
        pool.submit(order.append, number)
    pool.shutdown()
    assert order == list(range(100))


@pytest.mark.parametrize("workers", [1, 4])
def test_an_exception_reaches_the_outermost_of_nested_joins(make_pool, workers):
    pool = make_pool(workers)

    def level(depth):
        if depth == 0:
            raise LookupError("the tape is torn")
        return pool.spawn(level, depth - 1).join()

    with pytest.raises(LookupError, match="the tape is torn"):
        pool.submit(level, 6).join(PATIENCE)
    assert pool.tasks_failed == pool.tasks_finished == 7


def test_a_worker_outlives_a_task_that_raises(make_pool):
    pool = make_pool(1)
    with pytest.raises(ZeroDivisionError):
        pool.submit(lambda: 1 // 0).join(PATIENCE)
    assert pool.submit(lambda: 5).join(PATIENCE) == 5


def test_submissions_from_several_threads_all_run(make_pool):
    pool = make_pool(4)
    runs = []

    def submitter(number):
        tasks = [pool.submit(runs.append, (number, item)) for item in range(200)]
        for task in tasks:
            task.join(PATIENCE)

    threads = [threading.Thread(target=submitter, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE)
    assert Counter(runs) == Counter((number, item) for number in range(6) for item in range(200))


@pytest.mark.usefixtures("fine_switching")
@pytest.mark.parametrize("workers", [1, 2, 8])
def test_no_wake_up_is_lost_in_thousands_of_single_submissions(make_pool, workers):
    pool = make_pool(workers)
    for number in range(2000):
        assert pool.submit(lambda number=number: number).join(PATIENCE) == number


def test_no_wake_up_is_lost_when_a_join_parks_on_a_stolen_task(make_pool):
    pool = make_pool(3)

    def parent():
        stolen = threading.Event()
        child = pool.spawn(stolen.set)
        # A thief must take the child, so the join below finds nothing to help with.
        assert stolen.wait(PATIENCE)
        child.join()
        return True

    for _ in range(500):
        assert pool.submit(parent).join(PATIENCE)


def test_a_submission_just_before_a_worker_announces_itself_is_found(make_pool, monkeypatch):
    # The submitter sees no sleeper and wakes nobody, so the sweep after it must find the task.
    announce, tasks = Sleepers.announce, []

    def late(sleepers, ticket):
        if not tasks:
            outside = threading.Thread(target=lambda: tasks.append(pool.submit(lambda: 7)))
            outside.start()
            outside.join(PATIENCE)
        announce(sleepers, ticket)

    may_begin = threading.Event()
    pool = make_pool(1)
    holder = pool.submit(may_begin.wait, PATIENCE)
    monkeypatch.setattr(Sleepers, "announce", late)
    may_begin.set()
    holder.join(PATIENCE)
    deadline = time.monotonic() + PATIENCE
    while not tasks and time.monotonic() < deadline:
        time.sleep(0.001)
    assert tasks[0].join(5.0) == 7


def test_a_spawn_just_before_a_thief_announces_itself_is_found(make_pool, monkeypatch):
    announce = Sleepers.announce
    holding, go, spawned, stolen = (threading.Event() for _ in range(4))

    def late(sleepers, ticket):
        if holding.is_set() and not go.is_set():
            go.set()
            spawned.wait(PATIENCE)
        announce(sleepers, ticket)

    def holder():
        holding.set()
        assert go.wait(PATIENCE)
        pool.spawn(stolen.set)
        spawned.set()
        return stolen.wait(5.0)  # this worker is stuck here: only the thief can run it

    monkeypatch.setattr(Sleepers, "announce", late)
    pool = make_pool(2)
    task = pool.submit(holder)
    assert holding.wait(PATIENCE)
    pool.submit(int)  # makes the other worker search once and announce itself once more
    assert task.join(PATIENCE)


def test_a_wake_up_that_a_leaving_worker_cannot_follow_is_passed_on(make_pool, wait_until):
    pool = make_pool(2)
    wait_until(lambda: sum(pool.parks) == 2)
    task = Task(pool, int, ())
    task.token = pool.probe.spawned("int")
    pool._submitted += 1
    pool.inbox.put(task)  # without a wake-up: that one went to the ticket below
    spent = ParkingTicket()
    spent.wake(-1, for_spawn=True)
    pool._workers[0]._tidy(spent, None, leaving=True)
    wait_until(lambda: task.settled)


def test_a_spawn_wakes_exactly_one_of_the_parked_workers(make_pool, wait_until):
    pool = make_pool(4)
    wait_until(lambda: sum(pool.parks) == 4)
    started, release = threading.Event(), threading.Event()
    task = pool.submit(lambda: (started.set(), release.wait(PATIENCE)))
    assert started.wait(PATIENCE)
    try:
        assert pool.parked == 3
        assert sum(pool.parks) == 4
    finally:
        release.set()
    task.join(PATIENCE)


def test_a_worker_parks_only_after_finding_every_other_deque_empty(make_pool, wait_until):
    pool = make_pool(5)
    wait_until(lambda: sum(pool.parks) == 5)
    for thief, row in enumerate(pool.empties):
        assert row[thief] == 0
        assert all(count >= 1 for victim, count in enumerate(row) if victim != thief)


def test_a_join_helps_with_other_tasks_while_the_awaited_one_runs_elsewhere(make_pool):
    pool = make_pool(2)
    helped_by = []

    def parent():
        stolen, release = threading.Event(), threading.Event()
        awaited = pool.spawn(lambda: (stolen.set(), release.wait(PATIENCE)))
        assert stolen.wait(PATIENCE)
        # The thief is stuck until this task runs, and only this join can run it.
        pool.spawn(lambda: (helped_by.append(threading.current_thread()), release.set()))
        awaited.join()
        return threading.current_thread()

    assert pool.submit(parent).join(PATIENCE) is helped_by[0]


def test_joining_from_outside_times_out_and_can_be_tried_again(make_pool):
    pool = make_pool(2)
    release = threading.Event()
    task = pool.submit(lambda: release.wait(PATIENCE))
    with pytest.raises(TimeoutError):
        task.join(0.02)
    release.set()
    assert task.join(PATIENCE) is True


def test_parked_workers_use_no_processor_time(make_pool, wait_until):
    pool = make_pool(8)
    wait_until(lambda: sum(pool.parks) == 8)
    used = time.process_time()
    threading.Event().wait(0.4)
    assert time.process_time() - used < 0.1
    assert sum(pool.parks) == 8


def test_shutdown_finishes_what_is_queued(make_pool):
    pool = make_pool(2)
    release = threading.Event()
    runs = []
    for _ in range(2):
        pool.submit(release.wait, PATIENCE)
    for number in range(50):
        pool.submit(runs.append, number)
    pool.shutdown(wait=False)
    release.set()
    pool.shutdown()
    assert sorted(runs) == list(range(50))


def test_a_cancelling_shutdown_cancels_what_is_queued_and_finishes_what_runs(make_pool):
    pool = make_pool(2)
    release, started = threading.Event(), threading.Barrier(3)
    running = [
        pool.submit(lambda: (started.wait(PATIENCE), release.wait(PATIENCE))) for _ in range(2)
    ]
    started.wait(PATIENCE)
    queued = [pool.submit(int) for _ in range(50)]
    pool.shutdown(wait=False, cancel=True)
    release.set()
    pool.shutdown()
    for task in running:
        assert task.join(PATIENCE)[1] is True
    for task in queued:
        with pytest.raises(TaskCancelled):
            task.join(PATIENCE)
    assert (pool.tasks_finished, pool.tasks_cancelled, pool.tasks_spawned) == (2, 50, 52)


def test_a_task_spawned_during_a_cancelling_shutdown_is_cancelled(make_pool):
    pool = make_pool(2)
    started, release = threading.Event(), threading.Event()

    def late():
        started.set()
        release.wait(PATIENCE)
        pool.spawn(int).join()

    task = pool.submit(late)
    assert started.wait(PATIENCE)
    pool.shutdown(wait=False, cancel=True)
    release.set()
    with pytest.raises(TaskCancelled):
        task.join(PATIENCE)


def test_leaving_the_context_waits_for_every_task(make_pool):
    runs = []
    with make_pool(3) as pool:
        for number in range(40):
            pool.submit(runs.append, number)
    assert len(runs) == 40


def test_calls_in_the_wrong_place_are_refused(make_pool):
    pool = make_pool(2)
    with pytest.raises(RuntimeError, match="submit"):
        pool.spawn(int)
    with pytest.raises(RuntimeError, match="spawn"):
        pool.submit(lambda: pool.submit(int)).join(PATIENCE)
    with pytest.raises(RuntimeError, match="own pool"):
        pool.submit(pool.shutdown).join(PATIENCE)
    with pytest.raises(ValueError, match="no timeout"):
        pool.submit(lambda: pool.spawn(int).join(1.0)).join(PATIENCE)
    pool.shutdown()
    with pytest.raises(RuntimeError, match="shut down"):
        pool.submit(int)


def test_a_pool_without_workers_is_refused(make_pool):
    with pytest.raises(ValueError, match="at least one worker"):
        make_pool(0)


def test_every_attempt_ends_as_a_steal_a_miss_or_a_lost_race(make_pool):
    pool = make_pool(4)
    for _ in range(20):
        pool.submit(fibonacci, pool, 12)
    pool.shutdown()
    ends = zip(pool.steals, pool.empties, pool.lost_races)
    sums = [[sum(counts) for counts in zip(*rows)] for rows in ends]
    assert pool.attempts == sums
    assert sum(map(sum, pool.attempts)) > 0


def test_the_probe_counts_what_the_pool_counts_and_sees_no_misuse(make_pool, wait_until):
    pool = make_pool(4)
    for _ in range(10):
        pool.submit(fibonacci, pool, 14).join(PATIENCE)
    wait_until(lambda: pool.parked == 4)
    pool.shutdown()
    probes = [pool.probe.probes[index] for index in range(4)]
    assert [probe.hits for probe in probes] == pool.steals
    assert [probe.lost_races for probe in probes] == pool.lost_races
    assert pool.probe.misuses == 0


def test_depths_are_the_numbers_of_queued_tasks(make_pool):
    pool = make_pool(1)
    started, release = threading.Event(), threading.Event()

    def holder():
        for _ in range(3):
            pool.spawn(int)
        started.set()
        release.wait(PATIENCE)

    pool.submit(holder)
    assert started.wait(PATIENCE)
    pool.submit(int)
    try:
        assert pool.deque_depths() == (1, [3])
    finally:
        release.set()


def test_a_wide_tree_under_a_bad_policy_does_not_exhaust_the_stack(make_pool):
    # Owners that take their oldest task bury each join under the whole width of the tree.
    pool = make_pool(2, switches=Switches(owners_take_oldest=True))
    assert pool.submit(fibonacci, pool, 18).join(PATIENCE) == 2584


def test_a_join_of_a_task_that_has_settled_is_reported_to_the_probe(make_pool):
    """Without it the chain of work through that task would be lost."""
    pool = make_pool(1)

    def twice():
        child = pool.spawn(int)
        child.join()
        child.join()
        return child.token

    token = pool.submit(twice).join()
    pool.shutdown()
    rows = pool.probe.worker(0).waits.read(0, 100)[1]
    assert [row[WAITS.names.index("on_task")] for row in rows] == [token[0]] * 2
