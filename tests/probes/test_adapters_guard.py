"""Whatever fails inside a hook, the job goes on; one warning says what is not recorded."""

from __future__ import annotations

import re

import pytest
from plain_and_probed import probed, run

BREAKING = """
import importlib, sys

def break_it(where):
    import idlehands._guard as guard

    def broken(*arguments, **named):
        raise KeyError("broken")

    # As code of the probe's: what the job's own code raises in a hook is for the job.
    code = broken.__code__.replace(co_filename=guard.PACKAGE + "broken.py")
    broken.__code__ = code
    path, _, name = where.rpartition(".")
    module, _, cls = path.partition(":")
    owner = importlib.import_module("idlehands." + module)
    setattr(getattr(owner, cls) if cls else owner, name, broken)

if "idlehands" in sys.modules:
    break_it(BROKEN)
"""

JOBS = {
    "ThreadPoolExecutor": """
from concurrent.futures import ThreadPoolExecutor
import threading

gate = threading.Event()
pool = ThreadPoolExecutor(2)
waiting = [pool.submit(gate.wait) for _ in range(2)]
tasks = [pool.submit(work, number) for number in range(20)]
print([task.cancel() for task in tasks[-4:]])
gate.set()
print([result(task.result) for task in tasks[:-4]])
gate.clear()
waiting = [pool.submit(gate.wait) for _ in range(2)]
tasks = [pool.submit(work, number) for number in range(5)]
threading.Timer(0.05, gate.set).start()
pool.shutdown(cancel_futures=True)
print(sum(task.cancelled() or task.done() for task in tasks))
""",
    "ThreadPool": """
from multiprocessing.pool import ThreadPool

with ThreadPool(2) as pool:
    tasks = [pool.apply_async(work, (number,)) for number in range(20)]
    print([result(task.get) for task in tasks])
    print(pool.map(abs, range(-20, 0)))
    print(list(pool.imap(abs, range(-20, 0))))
""",
    "queue": """
import queue, threading

tasks, done = queue.Queue(), queue.SimpleQueue()

def serve():
    while True:
        number = tasks.get()
        if number is None:
            return
        done.put(result(lambda: work(number)))
        tasks.task_done()

threads = [threading.Thread(target=serve) for _ in range(2)]
for thread in threads:
    thread.start()
for number in range(20):
    tasks.put(number)
tasks.join()
print(sorted(map(str, (done.get() for _ in range(20)))))
tasks.put("for the main thread") if False else None
for _ in threads:
    tasks.put(None)
for thread in threads:
    thread.join()
tasks.put(1)
print(tasks.get(), tasks.unfinished_tasks)
""",
    "ProcessPoolExecutor": """
from concurrent.futures import ProcessPoolExecutor
import multiprocessing

with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("fork")) as pool:
    tasks = [pool.submit(work, number) for number in range(20)]
    print([result(task.result) for task in tasks])
    print(list(pool.map(abs, range(-20, 0), chunksize=3)))
    for unsendable in (pool.submit(work, lambda: None), pool.submit(unsent)):
        try:
            unsendable.result()
        except Exception as error:
            print(type(error).__name__)
""",
    "a broken ProcessPoolExecutor": """
from concurrent.futures import ProcessPoolExecutor
import multiprocessing, os

pool = ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("fork"))
print(pool.submit(work, 1).result())
try:
    pool.submit(os._exit, 3).result()
except Exception as error:
    print(type(error).__name__)
pool.shutdown()
""",
    "Pool": """
import multiprocessing

with multiprocessing.get_context("fork").Pool(2) as pool:
    tasks = [pool.apply_async(work, (number,)) for number in range(20)]
    print([result(task.get) for task in tasks])
    print(pool.map(abs, range(-20, 0)))
    print(list(pool.imap(abs, range(-20, 0))))
    try:
        pool.apply(unsent)
    except Exception as error:
        print(type(error).__name__)
    pool.close()
    pool.join()
""",
}

WORK = """
def work(number):
    if number == 7:
        raise ValueError(number)
    return number

def unsent():
    return lambda: None

def result(get):
    try:
        return get()
    except ValueError as error:
        return str(error)
"""

SHARED = [
    "_shared:SharedPool.kind_of",
    "_shared:SharedPool.joined_worker",
    "_shared_worker:SharedWorker.join",
]
BROKEN = {
    "ThreadPoolExecutor": [
        *SHARED,
        "adapters._places.place_of",
        "adapters._thread_queues.share_pool",
        "adapters.thread_pool.reporter_of",
        "adapters.thread_pool._queue_in",
        "adapters._work_runs.attributes_of",
        "_shared:SharedPool.cancelled",
        "_shared_worker:SharedWorker.put",
    ],
    "ThreadPool": [
        *SHARED,
        "adapters.multiprocessing_pool.share_pool",
        "adapters.multiprocessing_pool._describe",
        "adapters.multiprocessing_pool.attributes_of",
        "_shared:SharedPool.queued",
        "_shared_worker:SharedWorker.running",
        "_shared_worker:SharedWorker.finished",
    ],
    "queue": [
        *SHARED,
        "adapters._queue_tasks.share_pool",
        "adapters._queue_tokens.in_item",
        "adapters._queue_tasks.place_of",
        "adapters._queue_tasks._pool_of",
        "adapters._job_threads.runs_the_jobs_code",
        "adapters._served_queues.recording",
        "adapters._queue_tasks.held_by",
        "adapters._queue_things:Watch.taken",
        "adapters._queue_things:Watch.put",
        "_shared:SharedPool.cancelled",
        "_shared:SharedPool.queued",
    ],
    "ProcessPoolExecutor": [
        "_shared:SharedPool.kind_of",
        "_shared:SharedPool.queued",
        "adapters._executors.slots_pool",
        "adapters._executors.in_batch",
        "adapters._executors.in_chunk",
        "adapters._executors.is_queue_of",
        "adapters._process_queues.worker_of",
        "adapters._process_queues.leave",
        "adapters._process_queues.attributes_of",
        "_slot_worker:SlotWorker.running",
        "_slot_worker:SlotWorker.finished",
        "_slot_worker:SlotWorker.amend",
    ],
    "a broken ProcessPoolExecutor": ["adapters._executors.first_deaths"],
    "Pool": [
        "_shared:SharedPool.kind_of",
        "_shared:SharedPool.queued",
        "adapters.multiprocessing_pool.slots_pool",
        "adapters.multiprocessing_pool._unknown",
        "adapters._process_queues.worker_of",
        "adapters._process_queues.leave",
        "_slot_worker:SlotWorker.running",
        "_slot_worker:SlotWorker.finished",
        "_slot_worker:SlotWorker.amend",
    ],
}
SAID = re.compile(
    r"(probe of pool .* switched off: KeyError\('broken'\)"
    r"|what a pool does is not recorded: KeyError: broken"
    r"|pools of class \w+ are not probed: KeyError: broken)"
)


@pytest.fixture(scope="module")
def plain_output(tmp_path_factory):
    """Return what each job prints without the probe."""
    folder = tmp_path_factory.mktemp("plain")
    outputs = {name: run(folder, WORK + job) for name, job in JOBS.items()}
    assert {went.status for went in outputs.values()} == {0}
    return {name: went.output for name, went in outputs.items()}


@pytest.mark.parametrize(
    ("job", "broken"), [(job, broken) for job, each in BROKEN.items() for broken in each]
)
def test_a_job_goes_on_where_a_part_of_the_probe_fails(job, broken, plain_output, tmp_path):
    script = BREAKING.replace("BROKEN", repr(broken)) + WORK + JOBS[job]
    status, output, errors = probed(tmp_path, script)
    assert (status, output) == (0, plain_output[job])
    said = errors.splitlines()
    assert all(SAID.fullmatch(line) for line in said), errors
    # Each worker process speaks for itself.
    assert 1 <= len(set(said)) <= 2
    assert len(said) == len(set(said)) or job in ("ProcessPoolExecutor", "Pool")


RECORD_IS_OFF = (
    BREAKING.replace("BROKEN", "'_shared:SharedPool.kind_of'")
    + """
from concurrent.futures import ThreadPoolExecutor
from idlehands import _process
from idlehands._shared import SharedPool

works = SharedPool.kind_of
with ThreadPoolExecutor(1, thread_name_prefix="broken") as broken:
    print(broken.submit(abs, -1).result())
SharedPool.kind_of = lambda pool, function: 0
with ThreadPoolExecutor(1, thread_name_prefix="whole") as whole:
    print(broken._max_workers, sum(whole.map(abs, range(10))))
for pool in _process._process.registry.pools:
    print(pool.name, pool.off, pool.failures, sum(probe.tasks_run for probe in pool.probes))
"""
)


def test_only_the_pool_that_failed_is_in_no_record(tmp_path):
    status, output, errors = probed(tmp_path, RECORD_IS_OFF)
    assert status == 0
    assert output.splitlines() == ["1", "1 45", "broken True 1 0", "whole False 0 10"]
    assert errors == "probe of pool 'broken' switched off: KeyError('broken')\n"


FULL_STACK = """
import multiprocessing, queue, sys, threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

sys.setrecursionlimit(300)
DEPTHS = range(230, 296)

def below(frames, call):
    return below(frames - 1, call) if frames else call()

def work():
    return 5

def serve():
    while True:
        item = tasks.get()
        if item is None:
            return
        taken.append(item)
        tasks.task_done()

if __name__ == "__main__":
    threads = ThreadPoolExecutor(1)
    threads.submit(work).result()
    tasks, taken, too_deep = queue.Queue(), [], 0
    server = threading.Thread(target=serve)
    server.start()
    tasks.put(1)
    for frames in DEPTHS:
        for call in (lambda: threads.submit(lambda: 1).result(), lambda: tasks.put(frames)):
            try:
                below(frames, call)
            except RecursionError:
                too_deep += 1
    tasks.put(2)
    tasks.put(None)
    server.join()
    print(threads.submit(work).result(), too_deep > 0, taken[-1])
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("fork")) as processes:
        processes.submit(work).result()
        for frames in DEPTHS:
            try:
                below(frames, lambda: processes.submit(work)).result()
            except RecursionError:
                pass
        print(processes.submit(work).result())
"""


def test_where_the_job_fills_its_stack_queues_and_executors_stay_whole(tmp_path):
    assert run(tmp_path, FULL_STACK) == (0, "5 True 2\n5\n", "")
    assert probed(tmp_path, FULL_STACK) == (0, "5 True 2\n5\n", "")
