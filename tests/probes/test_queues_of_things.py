"""Queues of things that threads take, use and put back are no pools; queues of tasks are."""

from __future__ import annotations

import gc
import weakref

import pytest
from plain_and_probed import probed

from idlehands.adapters._queue_things import LEAST_AGAIN, MOST_WATCHED, Watch

RECORD = """
def record():
    from idlehands import _process
    _process._process.registry.tidy(False)
    return sorted(
        (pool.name, sum(probe.tasks_run for probe in pool.probes), pool.cancellations.written)
        for pool in _process._process.registry.pools
    )
"""

CONNECTIONS = """
import queue, threading, time

class Connection:
    used = 0

idle = QUEUE(4)
for _ in range(4):
    idle.put(Connection())

def use(times):
    for _ in range(times):
        connection = idle.get()
        connection.used += 1
        idle.put(connection)

threads = [threading.Thread(target=use, args=(60,)) for _ in range(3)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
print(sum(idle.get().used for _ in range(4)))
"""


@pytest.mark.parametrize("sort", ["queue.LifoQueue", "queue.Queue"])
def test_a_queue_of_connections_that_threads_take_and_put_back_is_in_no_record(sort, tmp_path):
    job = CONNECTIONS.replace("QUEUE", sort)
    went = probed(tmp_path, job + RECORD + "print(record())\n")
    assert (went.output, went.errors) == ("180\n[]\n", "")


BESIDE = """
import queue, threading, time

class Connection:
    used = 0

class Order:
    pass

idle = SORT(2)
for _ in range(2):
    idle.put(Connection())
orders = queue.Queue()
FIRST = threading.Barrier(3)

def work():
    if STARTS_WITH_ONE:
        connection = idle.get()
        idle.put(connection)
    FIRST.wait()
    while True:
        order = orders.get()
        if order is None:
            return
        connection = idle.get()
        connection.used += 1
        idle.put(connection)
        orders.task_done()

threads = [threading.Thread(target=work) for _ in range(3)]
for thread in threads:
    thread.start()
for _ in range(100):
    orders.put(Order())
orders.join()
for _ in threads:
    orders.put(None)
for thread in threads:
    thread.join()
print(sum(idle.get().used for _ in range(2)))
"""


@pytest.mark.parametrize(
    ("sort", "starts_with_one"),
    [("queue.LifoQueue", False), ("queue.Queue", False), ("queue.LifoQueue", True)],
)
def test_the_counts_of_a_queue_of_tasks_beside_one_of_connections_are_exact(
    sort, starts_with_one, tmp_path
):
    job = BESIDE.replace("SORT", sort).replace("STARTS_WITH_ONE", str(starts_with_one))
    line = job.splitlines().index("orders = queue.Queue()") + 1
    went = probed(tmp_path, job + RECORD + "print(record())\n")
    assert (went.output, went.errors) == (f"100\n[('job.py:{line}', 100, 0)]\n", "")


RETRIED = """
import queue, threading

class Order:
    def __init__(self, number):
        self.tries = 0
        self.number = number

orders = SORT()
for number in range(200):
    orders.put(Order(number))

def work():
    while True:
        try:
            order = orders.get(timeout=0.2)
        except queue.Empty:
            return
        order.tries += 1
        if order.number % 10 == 0 and order.tries < 3:
            orders.put(order)

threads = [threading.Thread(target=work) for _ in range(3)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
print("done")
"""


@pytest.mark.parametrize("sort", ["queue.LifoQueue", "queue.Queue"])
def test_a_queue_whose_tasks_are_put_back_to_be_tried_again_keeps_its_record(sort, tmp_path):
    job = RETRIED.replace("SORT", sort)
    went = probed(tmp_path, job + RECORD + "print([one[1:] for one in record()])\n")
    assert (went.output, went.errors) == ("done\n[(240, 0)]\n", "")


GOES_AROUND = """
import queue, threading, time

class Connection:
    pass

def say(line):
    print(line, flush=True)

idle = queue.Queue()
idle.put(Connection())
ROUNDS = threading.Semaphore(0)

def use():
    while ROUNDS.acquire():
        connection = idle.get()
        idle.put(connection)

thread = threading.Thread(target=use, daemon=True)
thread.start()
ROUNDS.release()
say("once")
input()
ROUNDS.release(40)
input()
"""


def test_a_reader_is_informed_that_a_pool_was_withdrawn(start_job, attach):
    job = start_job(GOES_AROUND)
    assert job.says() == "once"
    reader = attach(job.pid)
    reader.take_until(lambda frames: any(frame["frame"] == "names" for frame in frames))
    job.tell("go")
    reader.take_until(lambda frames: any(frame["frame"] == "withdrawn" for frame in frames))
    (number,) = {frame["pool"] for frame in reader.frames if frame["frame"] == "names"}
    withdrawn = [frame for frame in reader.frames if frame["frame"] == "withdrawn"]
    assert withdrawn == [{"frame": "withdrawn", "pool": number}]
    job.tell("end")
    assert job.ends() == ""


class Thing:
    pass


def go_around(watch, things, times):
    return [watch.put(one) for _ in range(times) for one in things if not watch.taken(one)]


def test_a_queue_shows_to_hold_things_once_enough_came_back_a_second_time():
    said = go_around(Watch(), [Thing(), Thing()], 1 + LEAST_AGAIN)
    assert said.index(True) == 2 + LEAST_AGAIN - 1


def test_items_that_are_called_or_cannot_be_referred_to_weakly_are_no_things():
    assert not any(go_around(Watch(), [len, (1, 2), 7, lambda: None], 50))


def test_an_object_at_the_place_of_one_that_is_gone_has_not_come_back():
    watch = Watch()
    for _ in range(3 * LEAST_AGAIN):
        gone = Thing()
        watch.taken(gone)
        del gone
        assert not watch.put(Thing())


def test_what_another_thread_puts_has_not_come_back(monkeypatch):
    watch = Watch()
    thing = Thing()
    for taker in range(3 * LEAST_AGAIN):
        monkeypatch.setattr("idlehands.adapters._queue_things.get_ident", lambda own=taker: own)
        watch.taken(thing)
        monkeypatch.setattr("idlehands.adapters._queue_things.get_ident", lambda: -1)
        assert not watch.put(thing)


def test_a_queue_of_tasks_is_watched_for_a_time_only_and_keeps_none_of_them_alive():
    watch, seen = Watch(), []
    for _ in range(MOST_WATCHED):
        assert not watch.is_over
        task = Thing()
        seen.append(weakref.ref(task))
        watch.put(task)
        watch.taken(task)
        del task
    gc.collect()
    assert watch.is_over
    assert [one for one in seen if one() is not None] == []
