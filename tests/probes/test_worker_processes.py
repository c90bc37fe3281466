"""Worker processes that jobs kill, replace, fork, strip of rights and descriptors.

Real jobs under `idlehands run`, read over the socket where their record matters.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

import idlehands
from idlehands import FINISHED
from idlehands._tables import DIED, LEFT, LOST
from idlehands.wire import TASKS, WORKER_LIFETIMES

SOURCES = str(Path(idlehands.__file__).parent.parent)
UNGUARDED = "thread_wakeup.wakeup()"
"""In the traceback of a job that ends while its executor's thread closes the pipe that wakes it:
"call not protected by ProcessPoolExecutor._shutdown_lock" (CPython 3.9 to 3.15,
Lib/concurrent/futures/process.py, `_python_exit`)."""
METHODS = ("fork", "spawn", "forkserver")

PRELUDE = """\
import gc, multiprocessing, os, signal, sys, time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

METHOD = sys.argv[1] if len(sys.argv) > 1 else "fork"
context = multiprocessing.get_context(METHOD)

def say(line):
    sys.stdout.write(f"{line}\\n")
    sys.stdout.flush()

def told(expected):
    line = sys.stdin.readline().strip()
    assert line == expected, f"told {line!r}, not {expected!r}"

def until(condition):
    deadline = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < deadline, "not in time"
        time.sleep(0.005)

def square(number):
    return number * number

def die(number=0):
    os.kill(os.getpid(), signal.SIGKILL)

def shared_memories():
    found = []
    for name in os.listdir("/proc/self/fd"):
        try:
            if "idlehands-slots" in os.readlink(f"/proc/self/fd/{name}"):
                found.append(int(name))
        except OSError:
            pass
    return found

"""


@pytest.fixture
def says(tmp_path, folder):
    """Run a script under the probe to its end; return what it prints; what it `warns` is known."""

    def run(script: str, method: str = "fork", *, warns: str = "") -> list[str]:
        path = tmp_path / "job.py"
        path.write_text(PRELUDE + script)
        environment = {**os.environ, "IDLEHANDS_DIR": str(folder), "PYTHONPATH": SOURCES}
        for _ in range(2):
            ended = subprocess.run(
                [sys.executable, "-m", "idlehands", "run", str(path), method],
                env=environment,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                check=False,
                timeout=90,
            )
            if UNGUARDED not in ended.stderr:
                break
        assert ended.stderr == warns
        assert ended.returncode == 0
        return ended.stdout.splitlines()

    return run


@pytest.fixture
def watched(start_job, attach):
    """Run a script that says "ready", is told "go", says "done" and is told "end"; return frames.

    With the frames comes what it said besides.
    """

    def run(script: str, method: str = "fork"):
        job = start_job(PRELUDE + script, method)
        assert job.says() == "ready"
        reader = attach(job.pid)
        reader.take_in_thread()
        job.tell("go")
        lines = []
        while (line := job.says()) != "done":
            lines.append(line)
        job.tell("end")
        assert job.ends() == ""
        frames = reader.take_all()
        assert frames[-1]["frame"] == "bye"
        return frames, lines

    return run


def column(frames, table, name, received):
    """Return a column of a table, over all rings; nothing may be lost."""
    values = []
    for pool, worker in sorted(received.rings(frames, table.name)):
        ring = received(frames, table.name, worker, pool)
        assert ring.lost == 0
        values += ring.columns[name]
    return values


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("end", ["", "pool.shutdown()", "pool.shutdown(wait=False)"])
def test_a_killed_worker_process_adds_nothing_to_what_the_job_prints_at_its_end(says, method, end):
    lines = says(
        f"""
if __name__ == "__main__":
    pool = ProcessPoolExecutor(2, mp_context=context)
    kept = pool.submit(die)  # its exception keeps the frames that it went through
    try:
        kept.result(timeout=30)
    except Exception as error:
        print(type(error).__name__)
    {end}
""",
        method,
    )
    assert lines == ["BrokenProcessPool"]


@pytest.mark.parametrize("method", METHODS)
def test_a_file_under_the_number_of_a_lost_descriptor_is_not_written_by_worker_processes(
    says, method, tmp_path
):
    """The pool replaces its workers after each task; the later ones find the file."""
    size = 8 << 20
    warning = "worker processes are not probed: the job closed a descriptor of the probe's\n"
    lines = says(
        f"""
if __name__ == "__main__":
    with open({str(tmp_path / "logbook")!r}, "w+b") as file:
        file.truncate({size})
        pool = context.Pool(1, maxtasksperchild=1)
        print(pool.apply(square, (3,)))
        numbers = shared_memories()
        for number in numbers:
            os.dup2(file.fileno(), number)
        print(sum(pool.apply(square, (4,)) for _ in range(3)))
        pool.close()
        pool.join()
        file.seek(0)
        print(file.read() == bytes({size}))
        del pool
        gc.collect()
        print(all(os.fstat(number).st_ino == os.fstat(file.fileno()).st_ino for number in numbers))
""",
        method,
        warns="" if method == "fork" else warning,
    )
    assert lines == ["9", "48", "True", "True"]


def test_closing_all_descriptors_between_pools_closes_none_of_the_jobs_own_later(says, tmp_path):
    lines = says(
        f"""
def use_a_pool():
    with ProcessPoolExecutor(1, mp_context=context) as pool:
        return pool.submit(square, 5).result()

if __name__ == "__main__":
    print(use_a_pool())
    os.closerange(3, 64)
    kept = [open({str(tmp_path)!r} + f"/log-{{n}}", "w") for n in range(40)]
    numbers = [file.fileno() for file in kept]
    from idlehands import _process
    _process._process.registry.pools.clear()
    gc.collect()
    print(use_a_pool())
    for file in kept:
        file.write("kept")
    for number in numbers:
        os.fstat(number)
    print([file.fileno() for file in kept] == numbers)
"""
    )
    assert lines == ["25", "25", "True"]
    logs = sorted(tmp_path.glob("log-*"))
    assert [log.read_text() for log in logs] == ["kept"] * 40, "a file was closed before its flush"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
@pytest.mark.parametrize("method", METHODS)
def test_worker_processes_that_become_another_user_are_recorded(watched, received, method):
    frames, _ = watched(
        """
if __name__ == "__main__":
    with ThreadPoolExecutor(1) as first:
        first.submit(square, 1).result()
    say("ready")
    told("go")
    with ProcessPoolExecutor(
        2, mp_context=context, initializer=os.setuid, initargs=(65534,)
    ) as pool:
        list(pool.map(square, range(50)))
    say("done")
    told("end")
""",
        method,
    )
    kinds = {frame["pool"]: frame["pool_kind"] for frame in frames if frame["frame"] == "names"}
    (number,) = [pool for pool, kind in kinds.items() if kind == "process pool"]
    rings = [worker for pool, worker in received.rings(frames, "tasks") if pool == number]
    assert sum(received(frames, "tasks", worker, number).rows for worker in rings) == 50


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_job_that_becomes_another_user_prints_nothing_more_and_is_recorded(watched, received):
    frames, _ = watched(
        """
def use_a_pool():
    with context.Pool(2) as pool:
        pool.map(square, range(50), chunksize=1)
        pool.close()
        pool.join()

if __name__ == "__main__":
    use_a_pool()
    say("ready")
    told("go")
    os.setuid(65534)
    use_a_pool()
    say("done")
    told("end")
"""
    )
    assert len(column(frames, TASKS, "task", received)) == 100


@pytest.mark.parametrize("method", METHODS)
def test_the_task_of_a_worker_that_exits_or_becomes_another_program_is_lost(
    watched, received, method
):
    frames, _ = watched(
        """
def leave(how):
    if how:
        os.execv(sys.executable, [sys.executable, "-c", "pass"])
    os._exit(3)

if __name__ == "__main__":
    pool = context.Pool(1)
    pool.apply(square, (1,))
    say("ready")
    told("go")
    for how in (0, 1, 0):
        there = pool._pool[0]
        pool.apply_async(leave, (how,))
        there.join(30)
        until(lambda: pool._pool and pool._pool[0] is not there)
        assert pool.apply(square, (3,)) == 9
    pool.close()
    say("done")
    told("end")
    pool.terminate()
""",
        method,
    )
    outcomes = Counter(column(frames, TASKS, "outcome", received))
    assert outcomes == {FINISHED: 4, LOST: 3}
    assert Counter(column(frames, WORKER_LIFETIMES, "how", received))[DIED] == 3


def test_a_task_that_forks_and_returns_in_both_processes_is_there_once(watched, received):
    frames, _ = watched(
        """
def fork(number):
    os.fork()

if __name__ == "__main__":
    pool = context.Pool(1, maxtasksperchild=2)
    pool.apply(square, (1,))
    say("ready")
    told("go")
    pool.apply(fork, (0,))
    for number in range(20):
        assert pool.apply(square, (number,)) == number * number
    pool.close()
    pool.join()
    say("done")
    told("end")
"""
    )
    assert sorted(column(frames, TASKS, "task", received)) == list(range(22))
    pids = column(frames, WORKER_LIFETIMES, "pid", received)
    assert len(pids) == len(set(pids)) >= 12


@pytest.mark.parametrize("method", METHODS)
def test_worker_processes_that_close_descriptors_as_they_start_are_recorded(
    watched, received, method, tmp_path
):
    """Those of the probe, which may have any number; those of its queues a worker needs."""
    frames, lines = watched(
        f"""
def close():
    for number in shared_memories():
        os.close(number)
    close.kept = open({str(tmp_path / "kept")!r} + str(os.getpid()), "w")

def check(number):
    os.fstat(close.kept.fileno())
    return len(shared_memories())

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as first:
        first.submit(square, 1).result()
    say("ready")
    told("go")
    with ProcessPoolExecutor(2, mp_context=context, initializer=close) as pool:
        say(sum(pool.map(check, range(50))))
    say("done")
    told("end")
""",
        method,
    )
    assert lines == ["0"]
    assert len(column(frames, TASKS, "task", received)) == 51
    assert set(column(frames, WORKER_LIFETIMES, "how", received)) == {LEFT}


@pytest.mark.parametrize("method", ["fork", "spawn"])
def test_a_pool_that_has_closed_holds_no_descriptor_though_the_job_keeps_it(says, method):
    lines = says(
        """
if __name__ == "__main__":
    kept = []
    for number in range(3):
        kept.append(ProcessPoolExecutor(1, mp_context=context))
        kept[-1].submit(square, 2).result()
        kept[-1].shutdown()
        kept.append(context.Pool(1))
        kept[-1].apply(square, (2,))
        kept[-1].close()
        kept[-1].join()
    print(len(shared_memories()) <= 2)
    with ThreadPoolExecutor(1) as thread:  # or the probe's own may be ended
        thread.submit(square, 1).result()
        until(lambda: not shared_memories())
    print(shared_memories())
""",
        method,
    )
    assert lines == ["True", "[]"]


def test_a_pool_made_again_with_more_workers_has_room_for_all(watched, received):
    frames, _ = watched(
        """
barrier = None

def meet(number):
    barrier.wait(60)

def start(given):
    global barrier
    barrier = given

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as first:
        first.submit(square, 1).result()
    say("ready")
    told("go")
    for workers in (1, 80):
        given = context.Barrier(workers)
        with context.Pool(workers, initializer=start, initargs=(given,)) as pool:
            pool.map(meet, range(workers), chunksize=1)
            pool.close()
            pool.join()
    say("done")
    told("end")
"""
    )
    names = [frame["name"] for frame in frames if frame["frame"] == "names"]
    assert len(set(names)) == 2
    assert len(column(frames, TASKS, "task", received)) == 1 + 1 + 80


@pytest.mark.long
@pytest.mark.parametrize("made", ["Pool", "executor"])
def test_worker_processes_that_start_after_their_pool_was_closed_are_recorded(
    watched, received, made
):
    frames, _ = watched(
        f"""
if __name__ == "__main__":
    with ThreadPoolExecutor(1) as first:
        first.submit(square, 1).result()
    say("ready")
    told("go")
    spawn = multiprocessing.get_context("spawn")
    if {made!r} == "Pool":
        pool = spawn.Pool(2, initializer=time.sleep, initargs=(4,))
        pool.map_async(square, range(50), chunksize=1)
        pool.close()
        pool.join()
    else:
        pool = ProcessPoolExecutor(2, mp_context=spawn, initializer=time.sleep, initargs=(4,))
        futures = [pool.submit(square, number) for number in range(50)]
        pool.shutdown(wait=False)
        assert [future.result() for future in futures]
    say("done")
    told("end")
"""
    )
    assert Counter(column(frames, TASKS, "outcome", received)) == {FINISHED: 51}


@pytest.mark.long
@pytest.mark.parametrize("sort", ["Process", "Thread"])
def test_a_pool_that_takes_its_time_to_start_is_recorded_to_the_last_task(watched, received, sort):
    """The probe checks it once a second, and meanwhile nobody can use it yet."""
    frames, _ = watched(
        f"""
import multiprocessing.dummy
from multiprocessing.pool import Pool, ThreadPool

def slowly(start):
    def start_slowly(self):
        time.sleep(1.5)
        start(self)
    return start_slowly

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as first:
        first.submit(square, 1).result()
    say("ready")
    told("go")
    context = multiprocessing.get_context("fork")
    slow = context.Process if {sort!r} == "Process" else multiprocessing.dummy.DummyProcess
    slow.start = slowly(slow.start)
    pool = Pool(1, context=context) if {sort!r} == "Process" else ThreadPool(1)
    pool.map(square, range(50), chunksize=1)
    pool.close()
    pool.join()
    say("done")
    told("end")
"""
    )
    assert sorted(column(frames, TASKS, "task", received)) == [0, *range(50)]


def test_a_job_that_may_make_no_large_file_is_not_ended_by_the_probe(says):
    lines = says(
        """
import logging, resource

if __name__ == "__main__":
    # That the pool is not probed may be said.
    logging.getLogger("idlehands").addHandler(logging.NullHandler())
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
    signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
    with ProcessPoolExecutor(1, mp_context=context) as pool:
        print(pool.submit(square, 3).result())
"""
    )
    assert lines == ["9"]


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize(("made", "workers"), [("Pool", 300), ("executor", 200)])
def test_each_task_and_lifetime_of_many_replaced_worker_processes_is_there_once(
    watched, received, made, workers
):
    if made == "executor" and sys.version_info < (3, 11):
        pytest.skip("executors replace workers from Python 3.11 on")
    frames, lines = watched(
        f"""
def size():
    with open("/proc/self/status") as file:
        parts = [line.split() for line in file if line.startswith(("RssAnon:", "RssShmem:"))]
    return sum(int(kilobytes) for _, kilobytes, _ in parts)

def run(tasks):
    if {made!r} == "Pool":
        pool.map(square, range(tasks), chunksize=1)
    else:
        list(pool.map(square, range(tasks)))
    say(size())

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as first:
        first.submit(square, 1).result()
    say("ready")
    # A worker forked while this thread reads its input would hang on the lock of that file, with
    # the probe and without: so the pool starts when all has been read.
    told("go")
    if {made!r} == "Pool":
        pool = multiprocessing.get_context("fork").Pool(4, maxtasksperchild=1)
    else:
        forkserver = multiprocessing.get_context("forkserver")
        pool = ProcessPoolExecutor(4, mp_context=forkserver, max_tasks_per_child=1)
    for _ in range({workers // 10}):
        run(10)
    say(len(shared_memories()))
    if {made!r} == "Pool":
        pool.close()
        pool.join()
    else:
        pool.shutdown()
    say("done")
    told("end")
"""
    )
    assert sorted(column(frames, TASKS, "task", received)) == [0, *range(workers)]
    lifetimes = list(
        zip(*(column(frames, WORKER_LIFETIMES, name, received) for name in ("pid", "began_ns")))
    )
    assert len(lifetimes) == len(set(lifetimes)) > workers
    *sizes, descriptors = map(int, lines)
    half = len(sizes) // 2
    assert max(sizes[half:]) - max(sizes[:half]) < 1024, "kilobytes"
    assert descriptors == 1
