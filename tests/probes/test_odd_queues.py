"""Queues and executors of the job's own making: recorded where they are known, else left alone."""

from __future__ import annotations

import sys

import pytest
from plain_and_probed import both, probed, run

from_3_13 = pytest.mark.skipif(sys.version_info < (3, 13), reason="Queue.shutdown is of 3.13")

RECORD = """
def record():
    from idlehands import _process
    told = []
    for pool in _process._process.registry.pools:
        run = sum(probe.tasks_run for probe in pool.probes)
        told.append(f"{pool.kind}: {run} run, {pool.cancellations.written} cancelled")
    return told
"""


# Between processes


JOBLIB = """
import joblib, math
if __name__ == "__main__":
    calls = (joblib.delayed(math.sqrt)(number) for number in range(40))
    print(sum(joblib.Parallel(n_jobs=2, backend="multiprocessing")(calls)))
"""


def test_joblibs_multiprocessing_backend_whose_queues_are_its_own_is_left_alone(tmp_path):
    pytest.importorskip("joblib")
    plain, under_the_probe = both(tmp_path, JOBLIB)
    assert plain.status == 0
    assert under_the_probe[:2] == plain[:2]
    assert [line.partition(":")[0] for line in under_the_probe.errors.splitlines()] == [
        "pools of class MemmappingPool are not probed"
    ]


OWN_QUEUES = """
import multiprocessing, multiprocessing.pool, multiprocessing.queues
from concurrent.futures import ProcessPoolExecutor

class Queue(multiprocessing.queues.SimpleQueue):
    def __init__(self, *, ctx):
        super().__init__(ctx=ctx)
        self.get = self.get_and_count
    def get_and_count(self):
        return super().get()

class Context(type(multiprocessing.get_context("fork"))):
    def SimpleQueue(self):
        return Queue(ctx=self.get_context())

class Shuffled(multiprocessing.pool.Pool):
    def _setup_queues(self):
        super()._setup_queues()
        put = self._quick_put
        self._quick_put = lambda task: put(task and task[:5])

def inverse(number):
    return -number

if __name__ == "__main__":
    with multiprocessing.pool.Pool(2, context=Context()) as pool:
        print(pool.map(inverse, range(10)))
    with ProcessPoolExecutor(2, mp_context=Context()) as pool:
        print(list(pool.map(inverse, range(10))))
    with Shuffled(2) as pool:
        print(pool.map(inverse, range(10)))
"""


def test_pools_of_processes_with_a_queue_that_is_not_known_are_left_alone(tmp_path):
    plain, under_the_probe = both(tmp_path, OWN_QUEUES)
    assert plain.status == 0
    assert under_the_probe[:2] == plain[:2]
    assert [line.partition(":")[0] for line in under_the_probe.errors.splitlines()] == [
        "pools of class Pool are not probed",
        "pools of class ProcessPoolExecutor are not probed",
        "pools of class Shuffled are not probed",
    ]


# Executors of threads


EXECUTORS = (
    RECORD
    + """
import queue
from concurrent.futures import ThreadPoolExecutor

class Bounded(queue.Queue):
    pass

class Ordered(queue.PriorityQueue):
    count = 0
    def put(self, item, block=True, timeout=None):
        Ordered.count += 1
        super().put((item is None, Ordered.count, item), block, timeout)
    def get(self, block=True, timeout=None):
        return super().get(block, timeout)[2]
    def get_nowait(self):
        return self.get(block=False)

class Own(queue.SimpleQueue):
    def put(self, item, block=True, timeout=None):
        super().put(item)

class Executor(ThreadPoolExecutor):
    def __init__(self, tasks):
        super().__init__(2)
        self._work_queue = tasks

for _ in range(2):
    tasks = QUEUE
    with Executor(tasks) as pool:
        print(sum(pool.map(abs, range(-50, 0))))
    print(pool._work_queue is tasks, type(tasks).__name__)
print(record())
"""
)


@pytest.mark.parametrize("queue", ["queue.Queue(4)", "queue.LifoQueue()", "Bounded(3)"])
def test_an_executor_with_a_queue_of_the_librarys_is_recorded(queue, tmp_path):
    script = EXECUTORS.replace("QUEUE", queue)
    status, output, errors = probed(tmp_path, script)
    assert (status, errors) == (0, "")
    name = queue.partition("(")[0].rpartition(".")[2]
    assert output.splitlines()[:4] == ["1275", f"True {name}"] * 2
    assert output.splitlines()[4] == "['thread pool: 100 run, 0 cancelled']"


@pytest.mark.parametrize("queue", ["Ordered()", "Own()"])
def test_an_executor_with_a_queue_that_is_not_known_is_left_alone_and_reported_once(
    queue, tmp_path
):
    script = EXECUTORS.replace("QUEUE", queue)
    status, output, errors = probed(tmp_path, script)
    name = queue.partition("(")[0]
    assert (status, output.splitlines()) == (0, ["1275", f"True {name}"] * 2 + ["[]"])
    assert errors == (
        f"pools of class Executor are not probed: the queue, a {name}, is not known\n"
    )


REPLACED = """
import queue
from concurrent.futures import ThreadPoolExecutor

class Sealed:
    __slots__ = ("inner",)
    def __init__(self):
        self.inner = plain()
    def put(self, item, block=True, timeout=None):
        self.inner.put(item)
    def get(self, block=True, timeout=None):
        return self.inner.get(block, timeout)
    def get_nowait(self):
        return self.inner.get_nowait()

plain, queue.SimpleQueue = queue.SimpleQueue, Sealed
for _ in range(5):
    with ThreadPoolExecutor(2) as pool:
        print(sum(pool.map(abs, range(10))))
"""


def test_where_the_librarys_queue_has_been_replaced_that_is_reported_once(tmp_path):
    status, output, errors = probed(tmp_path, REPLACED)
    assert (status, output) == (0, "45\n" * 5)
    assert errors == (
        "pools of class ThreadPoolExecutor are not probed: the queue, a Sealed, is not known\n"
    )


ODD_EXECUTORS = """
import collections, copy, queue, sys, threading, time
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.thread import _WorkItem

ran = collections.Counter()

class Spying(ThreadPoolExecutor):
    def __getattribute__(self, name):
        ran["get " + name] += 1
        return super().__getattribute__(name)
    def __setattr__(self, name, value):
        ran["set " + name] += 1
        super().__setattr__(name, value)
    def __bool__(self):
        ran["bool"] += 1
        return False
    def __hash__(self):
        ran["hash"] += 1
        return 1
    def __eq__(self, other):
        ran["eq"] += 1
        return self is other
    def __repr__(self):
        ran["repr"] += 1
        return "spying"

gate = threading.Event()
pool = Spying(1)
tasks = [pool.submit(gate.wait), pool.submit(abs, -1)]
gate.set()
print(tasks[1].result())
pool.shutdown()
# How often a worker finds the executor still there is a matter of time.
print(sorted(item for item in ran.items() if "idle" not in item[0]))

class Item(_WorkItem):
    def __getattr__(self, name):
        ran["item " + name] += 1
        raise AttributeError(name)
    def __setattr__(self, name, value):
        ran["item set " + name] += 1
        super().__setattr__(name, value)

class OfItems(ThreadPoolExecutor):
    def submit(self, function, *arguments):
        call = (function, arguments, {})
        future = Future()
        item = Item(future, *call) if sys.version_info < (3, 14) else Item(future, call)
        self._work_queue.put(item)
        self._adjust_thread_count()
        return future

ran.clear()
with OfItems(2) as pool:
    print([pool.submit(abs, -number).result() for number in range(5)])
print(sorted(ran.items()))

class Empty(ThreadPoolExecutor):
    def __init__(self):
        pass

empty = Empty()
print(bool(getattr(empty, "_shutdown", False)), vars(empty))

pool = ThreadPoolExecutor(1)
again = copy.copy(pool)
print(again.submit(abs, -3).result(), pool.submit(abs, -4).result())
again.shutdown(wait=False)
pool.shutdown(wait=False)
"""


def test_executors_and_work_items_of_a_subclass_run_the_same_lines_as_without_the_probe(tmp_path):
    plain, under_the_probe = both(tmp_path, ODD_EXECUTORS)
    assert (plain.status, plain.errors) == (0, "")
    assert under_the_probe == plain


QUEUED_BEFORE = (
    RECORD
    + """
import threading
from concurrent.futures import ThreadPoolExecutor
import idlehands

gate = threading.Event()
pool = ThreadPoolExecutor(1)
tasks = [pool.submit(gate.wait)] + [pool.submit(abs, -number) for number in range(10)]
idlehands.install()
gate.set()
for task in tasks:
    task.result()
for number in range(10):
    pool.submit(abs, number).result()
pool.shutdown()
print(record())
"""
)


def test_tasks_queued_before_the_probe_came_are_recorded_too_and_by_the_same_worker(tmp_path):
    # The one that ran when the probe came is not: its worker was in it.
    assert run(tmp_path, QUEUED_BEFORE).output == "['thread pool: 20 run, 0 cancelled']\n"


# Queues between threads


LEAVING = """
import queue, threading, tracemalloc

tasks = queue.Queue()
gate, began = threading.Event(), threading.Event()

def serve():
    tasks.get()
    began.set()
    gate.wait()

thread = threading.Thread(target=serve)
thread.start()
tasks.put("first")
began.wait()

def drop(items):
    for item in items:
        tasks.put(item)
    with tasks.mutex:
        tasks.queue.clear()

def popped(items):
    for item in items:
        tasks.put(item)
    while tasks.queue:
        tasks.queue.popleft()

same = object()
tracemalloc.start()
for number in range(120):
    LEAVE
    if number == 59:  # by then the ring of spawns has gone round
        before = tracemalloc.get_traced_memory()[0]
print(tracemalloc.get_traced_memory()[0] - before < 500_000)
gate.set()
thread.join()
"""


@pytest.mark.parametrize(
    "leave",
    [
        "drop([object() for _ in range(500)])",
        "popped([object() for _ in range(500)])",
        "drop([same] * 500)",
        "tasks.queue = type(tasks.queue)(); drop([object() for _ in range(500)])",
    ],
    ids=["cleared", "popped", "one item again and again", "replaced"],
)
def test_items_that_leave_a_queue_another_way_than_get_are_not_remembered(leave, tmp_path):
    assert probed(tmp_path, LEAVING.replace("LEAVE", leave)) == (0, "True\n", "")


SERVED = (
    RECORD
    + """
import collections, queue, sys, threading, time

class Stable(queue.PriorityQueue):
    count = 0
    def _put(self, item):
        self.count += 1
        super()._put((item[0], self.count, item))
    def _get(self):
        return super()._get()[-1]

class OwnGet(queue.Queue):
    def get(self, block=True, timeout=None):
        with self.not_empty:
            while not self._qsize():
                self.not_empty.wait()
            item = self._get()
            self.not_full.notify()
            return item

class Unique(queue.Queue):
    def _init(self, maxsize):
        super()._init(maxsize)
        self.seen = set()
    def _put(self, item):
        if item not in self.seen:
            self.seen.add(item)
            super()._put(item)

class OwnDeque(queue.Queue):
    def _init(self, maxsize):
        self.queue = Deque()

class Deque(collections.deque):
    def __len__(self):
        return super().__len__()

class Spying(queue.Queue):
    def __getattribute__(self, name):
        ran["get " + name] += 1
        return super().__getattribute__(name)
    def __setattr__(self, name, value):
        ran["set " + name] += 1
        super().__setattr__(name, value)
    def __hash__(self):
        ran["hash"] += 1
        return 1
    def __eq__(self, other):
        ran["eq"] += 1
        return self is other
    def __len__(self):
        ran["len"] += 1
        return 0

class OwnPut(queue.Queue):
    def _put(self, item):
        self.queue.append(item)

ran = collections.Counter()
tasks, out = CLASS(), []

def serve():
    while True:
        item = tasks.get()
        if item[1] is None:
            tasks.task_done()
            return
        out.append(item[1])
        if DONE:
            tasks.task_done()

for number in range(40):
    tasks.put((number, number))
thread = threading.Thread(target=serve)
thread.start()
while len(out) < 40:
    time.sleep(0.001)
for number in range(40, 60):
    tasks.put((number, number))
while len(out) < 60:
    time.sleep(0.001)
tasks.put((1000, None))
thread.join()
print(sorted(out) == list(range(60)), tasks.unfinished_tasks, sorted(vars(tasks)))
print(sorted(key for key in ran if "wait" not in key))
if "idlehands" in sys.modules:
    print(record())
"""
)


@pytest.mark.parametrize("done", ["True", "False"])
@pytest.mark.parametrize(
    "cls",
    [
        "queue.Queue",
        "queue.LifoQueue",
        "queue.PriorityQueue",
        "Stable",
        "OwnGet",
        "Unique",
        "OwnDeque",
        "Spying",
    ],
)
def test_a_queue_with_odd_insides_is_served_as_ever_and_recorded_to_the_last_item(
    cls, done, tmp_path
):
    script = SERVED.replace("CLASS", cls).replace("DONE", done)
    plain, under_the_probe = both(tmp_path, script)
    assert plain.status == 0
    assert under_the_probe.errors == plain.errors == ""
    seen = under_the_probe.output.splitlines()
    assert seen[:2] == plain.output.splitlines()
    # The last item tells the thread to go, and is one to the probe.
    assert seen[2:] == ["['queue and threads: 61 run, 0 cancelled']"]


def test_a_queue_whose_put_goes_another_way_is_left_alone(tmp_path):
    script = SERVED.replace("CLASS", "OwnPut").replace("DONE", "True")
    status, output, errors = probed(tmp_path, script)
    assert (status, output.splitlines()[0][:4], output.splitlines()[2]) == (0, "True", "[]")
    assert errors == (
        "threads fed by queues of class OwnPut are not probed: their _put goes another way\n"
    )


UNCOMPARABLE = (
    RECORD
    + """
import queue, threading, traceback

class Uncomparable:
    pass

tasks = queue.PriorityQueue()
ready, gate = threading.Event(), threading.Event()

def serve():
    tasks.get()
    ready.set()
    gate.wait()
    tasks.task_done()
    tasks.get()
    tasks.task_done()

thread = threading.Thread(target=serve)
thread.start()
tasks.put(1)
ready.wait()
tasks.put(Uncomparable())
try:
    tasks.put(Uncomparable())
except TypeError:
    print("not taken")
del tasks.queue[1:]
gate.set()
thread.join()
print(record())
from idlehands import _process
print(_process._process.registry.pools[0].spawns.next_number())
"""
)


def test_an_item_that_a_queue_does_not_take_leaves_no_task(tmp_path):
    status, output, errors = probed(tmp_path, UNCOMPARABLE)
    assert (status, errors) == (0, "")
    assert output.splitlines() == ["not taken", "['queue and threads: 2 run, 0 cancelled']", "2"]


TAKEN_ELSEWHERE = (
    RECORD
    + """
import queue, threading

tasks = queue.Queue()
began, gate = threading.Event(), threading.Event()

def serve():
    tasks.get()
    began.set()
    gate.wait()
    tasks.task_done()

thread = threading.Thread(target=serve)
thread.start()
tasks.put("first")
began.wait()
same = object()
for item in (same, same, "other", same):
    tasks.put(item)
for _ in range(4):
    tasks.get()
    tasks.task_done()
gate.set()
thread.join()
print(record())
"""
)


def test_items_that_the_main_thread_takes_are_cancelled_once_each(tmp_path):
    status, output, errors = probed(tmp_path, TAKEN_ELSEWHERE)
    assert (status, errors) == (0, "")
    assert output == "['queue and threads: 1 run, 4 cancelled']\n"


SHUT_DOWN = (
    RECORD
    + """
import queue, threading

tasks = queue.Queue()
began, gate = threading.Event(), threading.Event()

def serve():
    tasks.get()
    began.set()
    gate.wait()
    tasks.shutdown(immediate=True)
    try:
        tasks.get()
    except queue.ShutDown:
        print("shut down")

thread = threading.Thread(target=serve)
thread.start()
for number in range(5):
    tasks.put(number)
began.wait()
gate.set()
thread.join()
print(record())
"""
)


@from_3_13
def test_items_that_a_worker_drops_by_shutting_its_queue_down_are_cancelled(tmp_path):
    status, output, errors = probed(tmp_path, SHUT_DOWN)
    assert (status, errors) == (0, "")
    assert output == "shut down\n['queue and threads: 1 run, 4 cancelled']\n"


TRACEBACKS = """
import queue, sys, traceback
from concurrent.futures import ThreadPoolExecutor, wait

class Uncomparable:
    pass

def show(call, *arguments):
    try:
        call(*arguments)
    except Exception as error:
        print("".join(traceback.format_exception(type(error), error, error.__traceback__)))

def fail():
    raise ValueError("no")

ordered, narrow = queue.PriorityQueue(), queue.Queue(1)
ordered.put(Uncomparable())
show(ordered.put, Uncomparable())
show(narrow.get_nowait)
narrow.put(1)
show(narrow.put_nowait, 2)
show(narrow.get, True, -1)
narrow.task_done()
show(narrow.task_done)
narrow.get()
show(narrow._get)
show(queue.LifoQueue()._get)
show(queue.PriorityQueue()._get)
with ThreadPoolExecutor(1) as pool:
    tasks = [pool.submit(fail), pool.submit(pow)]
    wait(tasks)
    for task in tasks:
        show(task.result)
"""


def test_tracebacks_through_queues_and_executors_read_as_ever(tmp_path):
    plain, under_the_probe = both(tmp_path, TRACEBACKS)
    assert plain.status == 0
    assert plain.output.count("Traceback") >= 10
    assert under_the_probe == plain


COPIED = """
import copy, pickle, queue, threading

class Storable(queue.Queue):
    def __getstate__(self):
        return {key: value for key, value in vars(self).items() if key in ("queue", "maxsize")}
    def __setstate__(self, state):
        self.__init__()
        vars(self).update(state)

class Whole(queue.Queue):
    def __getstate__(self):
        locks = ("mutex", "not_empty", "not_full", "all_tasks_done")
        return {key: value for key, value in vars(self).items() if key not in locks}
    def __setstate__(self, state):
        self.__init__()
        vars(self).update(state)

for cls in (Storable, Whole):
    tasks = cls()
    thread = threading.Thread(target=lambda: (tasks.get(), tasks.put("again")))
    thread.start()
    tasks.put("first")
    thread.join()
    for other in (pickle.loads(pickle.dumps(tasks)), copy.deepcopy(tasks)):
        print(other.get(), sorted(vars(other)))
"""


def test_a_queue_that_can_be_pickled_can_be_under_the_probe_as_well(tmp_path):
    plain, under_the_probe = both(tmp_path, COPIED)
    assert (plain.status, plain.errors) == (0, "")
    assert under_the_probe == plain


FREED = """
import gc, queue, threading, weakref
from concurrent.futures import ThreadPoolExecutor

gc.disable()

def ended(threads):
    for thread in threads:
        thread.join(20)
    return not any(thread.is_alive() for thread in threads)

pool = ThreadPoolExecutor(2)
pool.submit(int).result()
there = weakref.ref(pool), weakref.ref(pool._work_queue)
threads = list(pool._threads)
pool.shutdown()
del pool
print(ended(threads))
del threads
print([one() is None for one in there])

pool = ThreadPoolExecutor(2)
there = weakref.ref(pool), weakref.ref(pool._work_queue)
del pool
print([one() is None for one in there])

pool = ThreadPoolExecutor(2)
pool._work_queue = queue.Queue()
pool.submit(int).result()
there = weakref.ref(pool), weakref.ref(pool._work_queue)
threads = list(pool._threads)
pool.shutdown()
del pool
print(ended(threads))
del threads
print([one() is None for one in there])

tasks = queue.Queue()

def serve(tasks):
    while True:
        item = tasks.get()
        if item is None:
            return
        del item
        tasks.task_done()

threads = [threading.Thread(target=serve, args=(tasks,))]
threads[0].start()

class Cargo:
    pass

cargo = Cargo()
there = weakref.ref(cargo), weakref.ref(tasks)
tasks.put(cargo)
del cargo
tasks.join()
print(there[0]() is None)
tasks.put(None)
print(ended(threads))
del threads, tasks
print(there[1]() is None)
"""


def test_executors_queues_and_items_are_freed_without_the_collector_as_ever(tmp_path):
    plain, under_the_probe = both(tmp_path, FREED)
    assert (plain.status, plain.errors) == (0, "")
    assert "False" not in plain.output
    assert under_the_probe == plain
