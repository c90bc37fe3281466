"""Ordinary Python processes without a probe, sampled from outside.

A few jobs at a time run and are sampled; each test then reads one of the results.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import psutil
import pytest

from helpers import environment, idlehands, wait_until
from idlehands.wire import Decoder
from idlehands_monitor.ingest.capture import CaptureReader
from pythons import VERSIONS, find

# One process samples the jobs for all tests of this module.
pytestmark = [pytest.mark.long, pytest.mark.xdist_group("external")]

WORKERS = 3
SAMPLED_FOR = "3s"

JOB = """\
import hashlib, queue, sys, threading, time
import multiprocessing

def pauses(_=0):
    time.sleep(0.3)  # long enough for every worker to get one

def sleeps(_=0):
    time.sleep(600)

def spins(_=0):
    while True:
        sum(range(1000))

def computes(_=0):
    while True:
        hashlib.pbkdf2_hmac("sha256", b"salt", b"word", 200_000)

def serve(tasks):
    while True:
        tasks.get()()

def main(kind, task, workers):
    if kind == "thread":
        from concurrent.futures import ThreadPoolExecutor
        submit = ThreadPoolExecutor(workers, thread_name_prefix="fetch").submit
    elif kind == "process":
        from concurrent.futures import ProcessPoolExecutor
        context = multiprocessing.get_context("spawn")
        submit = ProcessPoolExecutor(workers, mp_context=context).submit
    elif kind == "multiprocessing":
        submit = multiprocessing.get_context("fork").Pool(workers).apply_async
    elif kind == "multiprocessing threads":
        from multiprocessing.pool import ThreadPool
        submit = ThreadPool(workers).apply_async
    elif kind == "loky":
        import loky
        submit = loky.get_reusable_executor(max_workers=workers).submit
    elif kind == "joblib":
        import joblib
        joblib.Parallel(n_jobs=workers)(joblib.delayed(task)() for _ in range(workers))
        submit = None
    elif kind == "queue":
        tasks = queue.Queue()
        for _ in range(workers):
            threading.Thread(target=serve, args=(tasks,), daemon=True).start()
        submit = tasks.put
    for _ in range(workers if submit else 0):
        submit(task)
    if task is pauses:
        time.sleep(1)
    print("ready", flush=True)
    sys.stdin.readline()

if __name__ == "__main__":
    main(sys.argv[1], globals()[sys.argv[2]], int(sys.argv[3]))
"""

ALONE = "import sys, time; print('ready', flush=True); time.sleep(600)"


class Case(NamedTuple):
    """A job to sample: its pool, its task, its interpreter's version ("": the tests' own)."""

    pool: str
    task: str
    kind: str
    version: str = ""
    needs: str = ""

    def __str__(self) -> str:
        return " ".join(filter(None, (self.pool, self.task, self.version)))


IDLE = (
    Case("thread", "pauses", "thread pool"),
    Case("process", "pauses", "process pool"),
    Case("multiprocessing", "pauses", "process pool"),
    Case("multiprocessing threads", "pauses", "thread pool"),
    Case("loky", "pauses", "loky pool", needs="loky"),
    Case("joblib", "pauses", "loky pool", needs="joblib"),
    Case("queue", "pauses", "queue and threads"),
)
ASLEEP = tuple(Case("thread", "sleeps", "thread pool", version) for version in VERSIONS)
SPINS = Case("thread", "spins", "thread pool")
COMPUTES = Case("multiprocessing threads", "computes", "thread pool")
CASES = (*IDLE, *ASLEEP, SPINS, COMPUTES)


def interpreter(version):
    """Return the interpreter of a version, None where this machine has none that works."""
    return find(version) if version else sys.executable


def missing(case):
    """Return why a case cannot be run here, empty where it can."""
    if case.needs and importlib.util.find_spec(case.needs) is None:
        return f"{case.needs} is not installed"
    if interpreter(case.version) is None:
        return f"Python {case.version} is not on this machine"
    return ""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("external")
    path.chmod(0o700)
    (path / "job.py").write_text(JOB)
    return path


class Job:
    """A job in a process group of its own, ready or about to work."""

    def __init__(self, folder, *arguments, prefix=()):
        self.process = subprocess.Popen(
            [*prefix, *arguments],
            env=environment(folder),
            cwd=folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self.pid = self.process.pid
        self.says = self.process.stdout.readline()

    def end(self):
        with self.process, contextlib.suppress(ProcessLookupError):
            os.killpg(self.pid, signal.SIGKILL)

    def __enter__(self):
        assert self.says == b"ready\n"
        return self

    def __exit__(self, *_):
        self.end()


def start(folder, case, prefix=()):
    python = interpreter(case.version)
    return Job(folder, python, "job.py", case.pool, case.task, str(WORKERS), prefix=prefix)


def sample(folder, pid, seconds=SAMPLED_FOR, **changes):
    done = idlehands("explain", pid, "--for", seconds, "--json", folder=folder, **changes)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)["sampled"]


@pytest.fixture(scope="module")
def samples(folder):
    """Return what was seen of each case, by case; most of them wait, so they go side by side."""

    def one(case):
        if missing(case):
            return None
        with start(folder, case) as job:
            return sample(folder, job.pid)

    with ThreadPoolExecutor(4) as side_by_side:
        return dict(zip(CASES, side_by_side.map(one, CASES), strict=True))


def pool_of(samples, case):
    if missing(case):
        pytest.skip(missing(case))
    (pool,) = samples[case]
    return pool


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_pool_its_kind_and_its_workers_are_recognised(samples, case):
    pool = pool_of(samples, case)
    assert pool["kind"] == case.kind
    assert pool["workers"] == WORKERS
    assert len({worker["native_id"] for worker in pool["per_worker"]}) == WORKERS
    assert all(worker["time"]["worker_seconds"] > 0.3 for worker in pool["per_worker"])


@pytest.mark.parametrize("case", IDLE, ids=str)
def test_an_idle_pool_is_parked(samples, case):
    pool = pool_of(samples, case)
    assert pool["time"]["parked"]["share"] > 0.5
    assert pool["time"]["blocked"]["share"] < 0.2
    assert pool["parked_stacks"]
    assert {worker["state"] for worker in pool["per_worker"]} == {"parked"}


@pytest.mark.parametrize("case", ASLEEP, ids=str)
def test_a_job_that_sleeps_in_its_tasks_is_blocked_asleep(samples, case):
    pool = pool_of(samples, case)
    assert pool["time"]["blocked"]["share"] > 0.9
    assert pool["time"]["parked"]["share"] == 0
    assert max(pool["time"]["waits"], key=pool["time"]["waits"].get) == "sleep"
    assert pool["blocked_stacks"][0]["frames"][0]["function"] == "sleeps"


def test_threads_that_spin_in_python_wait_for_the_interpreter_lock(samples):
    pool = pool_of(samples, SPINS)
    waits = pool["time"]["waits"]
    assert max(waits, key=waits.get) == "interpreter lock"
    assert pool["time"]["parked"]["share"] == 0
    assert 0 < pool["time"]["working"] < 0.5  # one interpreter lock, three threads


def test_a_job_that_computes_outside_the_interpreter_lock_works(samples):
    pool = pool_of(samples, COMPUTES)
    time = pool["time"]
    assert time["working"] > 0.05
    assert time["working"] + time["run_queue_wait"] > 0.8  # as many cores as there are


def test_the_json_says_that_the_pool_is_not_recorded(samples):
    pool = pool_of(samples, IDLE[0])
    assert pool["recorded"] is False
    assert pool["name"] == "fetch"
    assert "steals" in pool["unanswered"]


def test_a_capture_has_the_same_frames_and_the_same_reading(folder, tmp_path):
    path = tmp_path / "a.idlehands"
    with start(folder, ASLEEP[2]) as job:
        done = idlehands("capture", job.pid, "-o", path, "--for", "2s", folder=folder)
        assert done.returncode == 0, done.stderr
    explained = idlehands("explain", path, "--json", folder=folder)
    (pool,) = json.loads(explained.stdout)["sampled"]
    assert (pool["kind"], pool["workers"], pool["pid"]) == ("thread pool", WORKERS, job.pid)
    assert pool["time"]["blocked"]["share"] > 0.9


def test_a_process_that_ends_leaves_its_reading_and_says_so(folder):
    with (
        start(folder, ASLEEP[2]) as job,
        subprocess.Popen(
            [sys.executable, "-m", "idlehands", "watch", str(job.pid), "--no-screen"],
            env=environment(folder),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as watching,
    ):
        while "fetch (3 workers, external)" not in watching.stdout.readline():
            assert watching.poll() is None
        os.killpg(job.pid, signal.SIGKILL)
        job.process.wait()
        rest, complaints = watching.communicate(timeout=30)
    last = rest.strip().splitlines()[-1]
    assert last.startswith("ended: fetch (3 workers, external)")
    assert "has ended" in last
    assert complaints == ""


@pytest.mark.parametrize(
    ("py_spy", "complaint"),
    [
        ("#!/bin/sh\necho 'Error: Permission Denied: try sudo' >&2\nexit 1\n", "CAP_SYS_PTRACE"),
        ("", "cannot run"),
    ],
)
def test_without_the_right_to_trace_one_line_says_so_and_the_kernels_shares_are_shown(
    folder, tmp_path, py_spy, complaint
):
    program = tmp_path / "py-spy"
    if py_spy:
        program.write_text(py_spy)
        program.chmod(0o755)
    changes = {"IDLEHANDS_PYSPY": str(program)}
    with start(folder, ASLEEP[2]) as job:
        done = idlehands("explain", job.pid, "--for", "1s", folder=folder, **changes)
    assert done.returncode == 0, done.stderr
    (line,) = [line for line in done.stdout.splitlines() if "Stacks could not be read: " in line]
    assert complaint in line
    assert "Working" in line
    assert "off the core" in done.stdout
    assert "parked" not in done.stdout.split("Stacks could not", 1)[1]


def test_without_stacks_the_kernels_shares_are_shown_and_a_capture_has_no_stack(folder, tmp_path):
    path = tmp_path / "asleep.idlehands"
    with start(folder, ASLEEP[2]) as job:
        options = ("-o", path, "--for", "1s", "--no-stacks")
        done = idlehands("capture", job.pid, *options, folder=folder)
    assert done.returncode == 0, done.stderr
    explained = idlehands("explain", path, folder=folder).stdout
    assert "Stacks could not be read: they were switched off with --no-stacks." in explained
    inside = b"".join(block.frames for block in CaptureReader(path))
    threads = [
        thread
        for frame in Decoder().feed(inside)
        if frame["frame"] == "stacks"
        for thread in frame["threads"]
    ]
    assert threads
    assert not any(thread["frames"] for thread in threads)


def test_a_python_process_without_worker_threads_is_status_3_and_one_line(folder):
    with Job(folder, sys.executable, "-c", ALONE) as job:
        done = idlehands("explain", job.pid, "--for", "1s", folder=folder)
    assert done.returncode == 3
    (line,) = done.stderr.strip().splitlines()
    assert "no worker thread was seen" in line


@pytest.mark.parametrize("version", ["3.9", "3.13", "3.15"])
def test_a_process_in_another_process_id_namespace_is_read_by_our_ids(folder, version):
    case = Case("thread", "sleeps", "thread pool", version)
    prefix = ("unshare", "--pid", "--fork", "--mount-proc")
    if missing(case):
        pytest.skip(missing(case))
    if shutil.which("unshare") is None or subprocess.call(
        [*prefix, "true"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ):
        pytest.skip("this machine does not permit a process-id namespace")
    with start(folder, case, prefix) as job:
        (inside,) = psutil.Process(job.pid).children()
        (pool,) = sample(folder, inside.pid, "2s")
        threads = {thread.id for thread in inside.threads()}
        inside.kill()  # the first process of its namespace takes all others with it
    assert (pool["kind"], pool["workers"]) == ("thread pool", WORKERS)
    assert {worker["native_id"] for worker in pool["per_worker"]} < threads
    assert pool["time"]["blocked"]["share"] > 0.9


def test_sampling_leaves_the_process_as_it_was(folder):
    with start(folder, SPINS) as job:
        process = psutil.Process(job.pid)
        before = {thread.id for thread in process.threads()}
        sample(folder, job.pid, "1s")
        assert {thread.id for thread in process.threads()} == before
        wait_until(lambda: process.status() != psutil.STATUS_STOPPED, "going on")
