"""The probe leaves a job's pools, threads, forks and memory as they are without it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import idlehands

SOURCES = str(Path(idlehands.__file__).parent.parent)
METHODS = ("fork", "spawn", "forkserver")


@pytest.fixture
def says(tmp_path, folder):
    """Run a script under the probe, warnings being errors; return what it prints."""

    def run(script: str, *options: str, status: int = 0) -> list[str]:
        path = tmp_path / "job.py"
        path.write_text(script)
        environment = {**os.environ, "IDLEHANDS_DIR": str(folder), "PYTHONPATH": SOURCES}
        ended = subprocess.run(
            [sys.executable, *options, "-m", "idlehands", "run", str(path)],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=90,
        )
        assert ended.returncode == status, ended.stderr
        assert ended.stderr == ""
        return ended.stdout.splitlines()

    return run


POOLS = """
import multiprocessing, os, queue, sys, threading, time, weakref, gc
from concurrent.futures import ThreadPoolExecutor, ProcessPoolExecutor, wait

def nothing():
    pass

class Cargo:
    pass
"""


def test_a_fork_after_a_pool_has_ended_warns_of_no_thread(says):
    lines = says(
        POOLS
        + """
for _ in range(3):
    with ThreadPoolExecutor(2) as pool:
        pool.submit(nothing).result()
    child = os.fork()
    if child == 0:
        os._exit(0)
    print(os.waitpid(child, 0)[1])
with multiprocessing.get_context("fork").Pool(2) as pool:
    pool.apply(nothing)
    pool.close()
    pool.join()
child = os.fork()
if child == 0:
    os._exit(0)
print(os.waitpid(child, 0)[1])
""",
        "-W",
        "error::DeprecationWarning",
    )
    assert lines == ["0"] * 4


def test_a_fork_from_a_task_neither_deadlocks_nor_doubles_rows(start_job, attach, received):
    job = start_job(
        POOLS
        + """
def say(line):
    print(line, flush=True)

def fork():
    child = os.fork()
    if child == 0:
        with ThreadPoolExecutor(1) as own:
            own.submit(nothing).result()
        from idlehands._process import _process
        (kept,) = _process.registry.pools
        os._exit(kept.probes[0].tasks_run - 1)
    return os.waitpid(child, 0)[1]

pool = ThreadPoolExecutor(2)
say(pool.submit(fork).result())
sys.stdin.readline()
for _ in range(20):
    assert pool.submit(fork).result() == 0
pool.shutdown()
say("done")
sys.stdin.readline()
"""
    )
    assert job.says() == "0"
    reader = attach(job.pid)
    reader.take_in_thread()
    job.tell("go")
    assert job.says() == "done"
    job.tell("end")
    job.ends()
    frames = reader.take_all()
    assert frames[-1]["frame"] == "bye"
    workers = {worker for _, worker in received.rings(frames, "tasks")}
    assert sum(received(frames, "tasks", worker).rows for worker in workers) == 21


def test_arguments_results_and_exceptions_are_freed_as_soon_as_without_the_probe(says):
    script = (
        POOLS
        + """
def carry(cargo):
    return weakref.ref(cargo)

def fail(cargo):
    raise ValueError("no")

gc.disable()
with ThreadPoolExecutor(1) as pool:
    for function in (carry, fail, lambda cargo: None):
        cargo = Cargo()
        there = weakref.ref(cargo)
        future = pool.submit(function, cargo)
        wait([future])
        pool.submit(nothing).result()
        del cargo, future
        print(there() is None)
    def submit_one_of_its_own():
        def local(cargo=Cargo()):
            return None
        pool.submit(local).result()
        return weakref.ref(local.__defaults__[0])
    kept = submit_one_of_its_own()
    pool.submit(nothing).result()
    print(kept() is None)
"""
    )
    assert says(script) == ["True"] * 4


@pytest.mark.skipif(sys.version_info < (3, 14), reason="pools cannot be killed before 3.14")
@pytest.mark.parametrize("end", ["terminate_workers", "kill_workers"])
def test_the_arguments_of_a_task_whose_pool_was_killed_are_freed_as_without_the_probe(says, end):
    lines = says(
        POOLS
        + f"""
def carry(cargo, started):
    started.set()
    time.sleep(600)

def kill(context):
    started, cargo = manager.Event(), Cargo()
    with ProcessPoolExecutor(1, mp_context=context) as pool:
        pool.submit(carry, cargo, started)
        started.wait()
        (worker,) = pool._processes.values()
        pool.{end}()
        worker.join()
    return weakref.ref(cargo)

if __name__ == "__main__":
    context = multiprocessing.get_context("fork")
    with context.Manager() as manager:
        there = kill(context)
        deadline = time.monotonic() + 20
        while there() is not None and time.monotonic() < deadline:
            time.sleep(0.01)  # the pool's own thread is the last to let go
            gc.collect()
        print(there() is None)
"""
    )
    assert lines == ["True"]


@pytest.mark.parametrize("method", METHODS)
def test_no_descriptor_thread_child_or_socket_file_is_left_when_pools_end(says, folder, method):
    lines = says(
        POOLS
        + f"""
def left():
    gc.collect()
    return len(os.listdir("/proc/self/fd")), len(os.listdir("/proc/self/task"))

def round():
    context = multiprocessing.get_context({method!r})
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        pool.submit(nothing).result()
    with context.Pool(2) as pool:
        pool.apply(nothing)
    with ThreadPoolExecutor(2) as pool:
        pool.submit(nothing).result()

if __name__ == "__main__":
    round()
    deadline = time.monotonic() + 10
    while len(os.listdir(os.environ["IDLEHANDS_DIR"])) < 2 and time.monotonic() < deadline:
        time.sleep(0.01)  # its socket and its last state
    before = left()
    for _ in range(4):
        round()
    deadline = time.monotonic() + 10
    while left() > before and time.monotonic() < deadline:
        time.sleep(0.05)
    after = left()
    print(after[0] <= before[0], after[1] <= before[1], len(multiprocessing.active_children()))
"""
    )
    assert lines == ["True True 0"]
    assert list(folder.iterdir()) == []


def test_a_job_that_is_killed_leaves_no_process_and_nothing_but_its_socket_and_last_state(
    start_job, folder, wait_until
):
    job = start_job(
        POOLS
        + """
def pid():
    return os.getpid()

if __name__ == "__main__":
    pool = ProcessPoolExecutor(2)
    print(" ".join({str(pool.submit(pid).result()) for _ in range(8)}), flush=True)
    sys.stdin.readline()
"""
    )
    children = [int(pid) for pid in job.says().split()]
    wait_until(lambda: list(folder.glob("*.state")))
    before = {path.name for path in folder.iterdir()}
    job.process.kill()
    job.process.wait(30)
    for child in children:  # they see the end of their queue, or of their parent
        with open("/dev/null"):
            pass
        try:
            os.kill(child, 9)
        except ProcessLookupError:
            continue
    assert {path.name for path in folder.iterdir()} == before
    assert {path.name for path in folder.glob("*.sock")} == {f"{job.pid}.sock"}
    assert [path.name.partition("-")[0] for path in folder.glob("*.state")] == [str(job.pid)]
    assert len(before) == 2


def test_joining_every_thread_there_is_does_not_wait_for_the_probe(says):
    lines = says(
        POOLS
        + """
with ThreadPoolExecutor(2) as pool:
    pool.submit(nothing).result()
for thread in threading.enumerate():
    if thread is not threading.current_thread():
        thread.join()
print(threading.active_count())
"""
    )
    assert lines == ["1"]


def test_cancelled_tasks_are_cancelled_and_timeouts_time_out(says):
    lines = says(
        POOLS
        + """
from concurrent.futures import TimeoutError
gate = threading.Event()
pool = ThreadPoolExecutor(1)
running = pool.submit(gate.wait)
while not running.running():
    time.sleep(0.001)
queued = [pool.submit(nothing) for _ in range(10)]
try:
    running.result(timeout=0.01)
except TimeoutError:
    print("timeout")
print(queued[3].cancel(), running.cancel())
threading.Timer(0.1, gate.set).start()
pool.shutdown(cancel_futures=True)
print(sum(future.cancelled() for future in queued))
"""
    )
    assert lines == ["timeout", "True False", "10"]


@pytest.mark.parametrize("end", ["shutdown(cancel_futures=True)", "cancel()"])
def test_every_task_of_a_thread_pool_is_finished_or_cancelled_in_the_record(
    end, start_job, attach, received
):
    job = start_job(
        POOLS
        + f"""
pool = ThreadPoolExecutor(1)
pool.submit(nothing).result()
print("ready", flush=True)
sys.stdin.readline()
gate = threading.Event()
running = pool.submit(gate.wait)
while not running.running():
    time.sleep(0.001)
queued = [pool.submit(nothing) for _ in range(200)]
threading.Timer(0.1, gate.set).start()
if {end!r} == "cancel()":
    print(sum(future.cancel() for future in queued[:50]), flush=True)
    pool.shutdown()
else:
    pool.shutdown(cancel_futures=True)
    print(sum(future.cancelled() for future in queued), flush=True)
sys.stdin.readline()
"""
    )
    assert job.says() == "ready"
    reader = attach(job.pid)
    reader.take_in_thread()
    job.tell("go")
    cancelled = int(job.says())
    job.tell("end")
    job.ends()
    frames = reader.take_all()
    assert cancelled >= 50
    assert received(frames, "tasks", -1).rows == cancelled
    assert received(frames, "tasks", 0).rows == 202 - cancelled


def test_internals_that_are_not_known_are_left_alone_and_named_once(start, folder):
    target = start(
        """
        import concurrent.futures.thread as module
        import logging
        logging.basicConfig(format="%(message)s")

        class Other(module._WorkItem):
            def run(self):
                self.something_else()

        known, module._WorkItem = module._WorkItem.run, Other
        idlehands.install()
        idlehands.install()
        say(module._WorkItem.run is Other.__dict__["run"])
        say("_work_queue" in vars(module.ThreadPoolExecutor))
        """
    )
    assert [target.says(), target.says()] == ["True", "False"]
    errors = target.ends()
    assert errors.count("pools of concurrent.futures.thread are not probed") == 1


def test_a_thread_pool_in_use_is_probed_from_install_on(start, attach, received, folder):
    target = start(
        """
        from concurrent.futures import ThreadPoolExecutor
        pool = ThreadPoolExecutor(2)
        list(pool.map(abs, range(10)))
        idlehands.install()
        list(pool.map(abs, range(30)))
        say("ready")
        told("end")
        pool.shutdown()
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_in_thread()
    target.tell("end")
    target.ends()
    frames = reader.take_all()
    workers = {worker for _, worker in received.rings(frames, "tasks")}
    assert sum(received(frames, "tasks", worker).rows for worker in workers) == 30


def test_with_idlehands_off_nothing_is_hooked(start):
    target = start(
        """
        import concurrent.futures.thread as module
        before = module._WorkItem.run
        idlehands.install()
        say(module._WorkItem.run is before)
        """,
        IDLEHANDS="off",
    )
    assert target.says() == "True"


def test_pools_of_different_sorts_made_at_one_place_are_different_pools(says):
    lines = says(
        POOLS
        + """
if __name__ == "__main__":
    from multiprocessing.pool import ThreadPool
    makers = [ThreadPoolExecutor, ProcessPoolExecutor, ThreadPoolExecutor]
    for make in makers:
        pool = make(1)
        pool.submit(nothing).result()
        pool.shutdown()
    from idlehands import _process
    for pool in _process._process.registry.pools:
        pool.refresh(at_once=True)
        print(pool.name, pool.kind, sum(probe.tasks_run for probe in pool.probes))
"""
    )
    place = lines[0].split()[0]
    assert lines == [f"{place} thread pool 2", f"{place} (2) process pool 1"]
