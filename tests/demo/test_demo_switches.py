"""Each switch changes the promise it names."""

from __future__ import annotations

import sys
import threading

import pytest

from idlehands.wire import WAITS
from idlehands_demo.deques import EMPTY, Miss, TaskDeque, make_deques
from idlehands_demo.switches import Switches


def filled(**switches):
    deque = TaskDeque(Switches(**switches))
    for task in ("oldest", "middle", "newest"):
        deque.push(task)
    return deque


def test_owners_take_the_newest_and_thieves_the_oldest():
    # D. Chase, Y. Lev 2005: owner at the bottom, thieves at the top.
    deque = filled()
    assert (deque.pop(), deque.steal()) == ("newest", "oldest")


def test_thieves_take_the_newest_when_switched():
    deque = filled(thieves_take_newest=True)
    assert (deque.steal(), deque.pop()) == ("newest", "middle")


def test_owners_take_the_oldest_when_switched():
    deque = filled(owners_take_oldest=True)
    assert (deque.pop(), deque.steal()) == ("oldest", "middle")


def test_an_empty_deque_is_a_miss_and_no_lost_race():
    deque = TaskDeque()
    assert deque.steal() is EMPTY
    assert deque.pop() is None


def test_a_task_that_another_takes_between_check_and_take_is_a_lost_race():
    deque = TaskDeque()

    class TakenMeanwhile:
        def __len__(self):
            return 1

    deque._tasks = TakenMeanwhile()  # the steal sees a task and then gets none
    assert deque.steal() == Miss(1)


def test_exactly_one_of_owner_and_thieves_gets_the_only_task():
    deque = TaskDeque()
    taken = []
    rounds, barrier = 300, threading.Barrier(3)

    def taker(take):
        for _ in range(rounds):
            barrier.wait(20)
            task = take()
            if isinstance(task, int):
                taken.append(task)
            barrier.wait(20)

    threads = [threading.Thread(target=taker, args=(take,)) for take in (deque.pop, deque.steal)]
    for thread in threads:
        thread.start()
    for number in range(rounds):
        deque.push(number)
        barrier.wait(20)
        barrier.wait(20)
    for thread in threads:
        thread.join(20)
    assert taken == list(range(rounds))


@pytest.mark.parametrize(("early", "attempts"), [(False, 14), (True, 1)])
def test_a_worker_parks_after_one_attempt_only_when_switched(
    make_pool, wait_until, early, attempts
):
    # Otherwise it makes one random draw per victim (7) and then sweeps over all 7.
    pool = make_pool(8, switches=Switches(parks_after_one_failed_attempt=early))
    wait_until(lambda: sum(pool.parks) == 8)
    assert [sum(row) for row in pool.attempts] == [attempts] * 8


def test_an_early_parker_still_takes_what_is_in_the_inbox(make_pool):
    pool = make_pool(4, switches=Switches(parks_after_one_failed_attempt=True))
    for number in range(1000):
        assert pool.submit(lambda number=number: number).join(20) == number


@pytest.mark.parametrize("locked", [False, True])
def test_one_lock_holds_up_every_deque_only_when_switched(locked):
    first, second = make_deques(2, Switches(global_lock_around_deques=locked), lambda *_: None)
    inside, release, done = threading.Event(), threading.Event(), threading.Event()

    def slow_take():
        inside.set()
        release.wait(20)
        raise IndexError

    first._pop = slow_take
    owner = threading.Thread(target=first.pop)
    thief = threading.Thread(target=lambda: (second.steal(), done.set()))
    owner.start()
    assert inside.wait(20)
    thief.start()
    assert done.wait(0.1 if locked else 20) is not locked
    release.set()
    assert done.wait(20)
    owner.join(20)
    thief.join(20)


def test_a_wait_for_the_one_lock_is_reported_with_the_deque_and_its_length(wait_until):
    reported = []
    switches = Switches(global_lock_around_deques=True)
    first, second = make_deques(2, switches, lambda *contended: reported.append(contended))
    second.push("only")
    inside, release = threading.Event(), threading.Event()

    def slow_take():
        inside.set()
        release.wait(20)
        raise IndexError

    first._pop = slow_take
    owner = threading.Thread(target=first.pop)
    owner.start()
    assert inside.wait(20)
    thief = threading.Thread(target=second.steal)
    thief.start()
    wait_until(lambda: sys._current_frames()[thief.ident].f_code.co_name == "hold")
    release.set()
    owner.join(20)
    thief.join(20)
    ((which, length, waited_ns),) = reported
    assert (which, length) == (1, 1)
    assert waited_ns > 0


@pytest.mark.parametrize(
    ("switches", "expected"),
    [(Switches(), [4, 3, 2, 1, 0]), (Switches(owners_take_oldest=True), [0, 1, 2, 3, 4])],
)
def test_a_lone_owner_runs_its_deque_from_the_end_its_switch_says(make_pool, switches, expected):
    pool = make_pool(1, switches=switches)
    order = []
    pool.submit(lambda: [pool.spawn(order.append, number) for number in range(5)])
    pool.shutdown()
    assert order == expected


def test_a_lone_victim_is_robbed_in_the_fixed_order(make_pool, wait_until):
    pool = make_pool(4, switches=Switches(victims_in_fixed_order=True))
    wait_until(lambda: sum(pool.parks) == 4)
    assert pool.attempts == [[0, 2, 2, 2], [2, 0, 2, 2], [2, 2, 0, 2], [2, 2, 2, 0]]


@pytest.mark.parametrize("blocks", [False, True])
def test_a_joining_worker_waits_idly_only_when_switched(make_pool, wait_until, blocks):
    pool = make_pool(2, switches=Switches(joins_block=blocks))
    inside, release, ran, joining = threading.Event(), threading.Event(), [], []

    def awaited():
        inside.set()
        release.wait(20)

    def parent():
        task = pool.spawn(awaited)
        wait_until(inside.is_set)  # the other worker has it
        pool.spawn(lambda: ran.append("while joining"))
        joining.append(threading.get_ident())
        task.join()

    def parked():
        return joining and sys._current_frames()[joining[0]].f_code.co_name == "wait"

    task = pool.submit(parent)
    wait_until(parked)
    assert ran == ([] if blocks else ["while joining"])
    release.set()
    task.join(20)


def test_a_blocking_join_is_reported_as_a_wait_for_its_task(make_pool):
    pool = make_pool(2, switches=Switches(joins_block=True))
    children = []

    def parent():
        child = pool.spawn(lambda: 7)
        children.append(child)
        return child.join() + child.join()  # the second has ended already

    assert pool.submit(parent).join(20) == 14
    pool.shutdown()
    assert pool.probe.misuses == 0
    rows = [row for worker in range(2) for row in pool.probe.worker(worker).waits.read(0, 100)[1]]
    assert [row[WAITS.names.index("on_task")] for row in rows] == [children[0].token[0]] * 2
