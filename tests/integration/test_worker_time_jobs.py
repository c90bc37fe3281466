"""Worker time of real jobs, against what the jobs, their threads and the kernel say themselves."""

from __future__ import annotations

import contextlib
import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from helpers import draft_of, environment, wait_until
from idlehands_monitor.analysis.assemble import read_pool
from idlehands_monitor.analysis.time.worker_time import pool_time, slice_times
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.session.feed import Feed
from pure_jobs import CORES, JOBS, QUOTA_CORES, explained

pytestmark = [pytest.mark.long, pytest.mark.alone]

SECONDS = 3.0
BY_NAME = {job.name: job for job in JOBS}


@pytest.fixture
def shares(tmp_path):
    """Run a job of one sort; return (share of each category, its pool, the whole document)."""

    def run(name):
        folder = tmp_path / "sockets"
        folder.mkdir(mode=0o700)
        try:
            document = explained(BY_NAME[name], tmp_path, environment(folder), SECONDS)
        except OSError as error:
            pytest.skip(str(error))
        (pool,) = document["pools"]
        time = pool["worker_time"]
        return (
            {category: value / sum(time.values()) for category, value in time.items()},
            pool,
            document,
        )

    return run


def most_waited_for(pool):
    return max(pool["blocked"]["waits"], key=lambda wait: wait["seconds"])["sort"]


def test_a_job_that_only_sleeps_is_blocked_and_the_wait_is_a_sleep(shares):
    share, pool, _ = shares("sleep")
    assert share["blocked_s"] > 0.9
    assert most_waited_for(pool) == "sleep"
    assert pool["findings"][0]["code"] == "blocked-in-task"


def test_a_job_under_the_interpreter_lock_has_one_cores_worth_and_waits_for_the_lock(shares):
    share, pool, _ = shares("python")
    in_task = share["working_s"] + share["blocked_s"] + share["run_queue_wait_s"]
    assert in_task > 0.9
    assert share["working_s"] * pool["workers"] < 1.15
    if psutil.LINUX:
        assert most_waited_for(pool) == "interpreter lock"
    codes = [finding["code"] for finding in pool["findings"]]
    assert "interpreter-lock" in codes


def test_a_job_in_compiled_code_works_or_waits_for_a_core_and_is_not_blocked(shares):
    share, _, _ = shares("compiled")
    assert share["working_s"] + share["run_queue_wait_s"] > 0.85
    assert share["blocked_s"] < 0.1


def test_a_job_with_more_workers_than_cores_waits_in_the_run_queue(shares):
    share, pool, _ = shares("crowded")
    assert share["working_s"] * pool["workers"] <= CORES * 1.1
    assert share["run_queue_wait_s"] > 0.5
    assert pool["findings"][0]["code"] == "more-workers-than-cores"


def test_a_job_under_a_cpu_quota_waits_for_it_in_the_run_queue(shares):
    share, pool, document = shares("quota")
    assert share["working_s"] * pool["workers"] <= QUOTA_CORES * 1.5
    assert share["run_queue_wait_s"] > 0.4
    assert "cpu-quota" in [finding["code"] for finding in pool["findings"]]
    (process,) = document["host"]
    assert process["quota_cores"] == pytest.approx(QUOTA_CORES)


MIXED_JOB = """
import sys, threading, time
from concurrent.futures import ThreadPoolExecutor

workers = set()

def task(number):
    workers.add(threading.get_native_id())
    until = time.thread_time() + 0.015
    while time.thread_time() < until:
        sum(range(2000))
    time.sleep(0.01)

with ThreadPoolExecutor(2) as pool:
    list(pool.map(task, range(8)))
    print("ready", flush=True)
    sys.stdin.readline()
    print(*workers, flush=True)
    sys.stdin.readline()
    list(pool.map(task, range(200)))
    print("done", flush=True)
    sys.stdin.readline()
"""


@pytest.mark.skipif(not psutil.LINUX, reason="schedstat is Linux's")
@pytest.mark.parametrize("told_by", ["tasks and kernel", "kernel alone"])
def test_on_core_time_agrees_with_schedstat_within_two_hundredths(told_by, run_captured):
    """The test's own readings of the workers' schedstat while they are parked are the truth.

    "kernel alone": without the CPU times that were read with the tasks.
    """
    readings = []

    def read_schedstat(native_ids):
        counters = [
            int(Path(f"/proc/{native}/schedstat").read_text().split()[0]) for native in native_ids
        ]
        readings.append((time.monotonic_ns(), sum(counters)))

    with run_captured(MIXED_JOB) as (job, file):
        native_ids = job.ask("who").split()
        read_schedstat(native_ids)
        assert job.ask("go") == "done"
        read_schedstat(native_ids)
    ledger, pool = ledger_of(file)
    if told_by == "kernel alone":
        pool.tasks["cpu_ns"][:] = -1
    (begin, before), (end, after) = readings
    spent = pool_time(pool, ledger.host, begin, end)
    assert spent.core_time == "kernel"
    on_core = spent.pool.working + spent.pool.dispatch + spent.pool.searching
    assert on_core == pytest.approx(after - before, rel=0.02)


KINDS_JOB = Path(__file__).parents[1] / "kinds_job.py"


@pytest.mark.skipif(not psutil.LINUX, reason="schedstat is Linux's")
@pytest.mark.parametrize(("how", "workers"), [("processes", CORES + 1), ("threads", CORES + 1)])
def test_each_kinds_time_is_split_within_a_twentieth_of_what_its_tasks_measure(
    how, workers, run_captured
):
    """Sleeping, computing and mixed tasks with more workers than cores; they read schedstat."""
    with run_captured(KINDS_JOB.read_text(), how, workers, 24) as (job, file):
        truth = json.loads(job.ask("go"))
    ledger, pool = ledger_of(file)
    reading = read_pool(ledger, pool, truth["began_ns"], truth["ended_ns"])
    kinds = {kind.kind.rpartition(".")[2]: kind for kind in reading.tasks.kinds}
    for name, expected in truth["kinds"].items():
        for category in ("working", "blocked", "run_queue_wait"):
            found = getattr(kinds[name], f"{category}_s")
            assert found == pytest.approx(expected[category], abs=0.05 * expected["all"]), (
                f"{category} of {name}"
            )
    assert sum(kind.blocked_s for kind in kinds.values()) == pytest.approx(
        sum(expected["blocked"] for expected in truth["kinds"].values()), rel=0.05
    )


class Job:
    """A job under `idlehands run`: it is told a line and answers with one."""

    def __init__(self, script, folder, arguments=()):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "run", str(script), *map(str, arguments)],
            env=environment(folder, IDLEHANDS_DETAIL="full"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ask(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return self.process.stdout.readline().strip()


@pytest.fixture
def run_captured(tmp_path):
    """Run a script until it has said "ready"; give (job, file) with a capture of it going on."""

    @contextlib.contextmanager
    def run(text, *arguments):
        folder, script, file = tmp_path / "sockets", tmp_path / "job.py", tmp_path / "job.idlehands"
        folder.mkdir(mode=0o700)
        script.write_text(text)
        job = Job(script, folder, arguments)
        try:
            assert job.process.stdout.readline() == "ready\n"
            capturing = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "idlehands",
                    "capture",
                    str(job.process.pid),
                    "-o",
                    str(file),
                ],
                env=environment(folder),
                stderr=subprocess.DEVNULL,
            )
            wait_until(draft_of(file).exists, "the capture")
            yield job, file
            job.process.stdin.close()
            assert job.process.wait(60) == 0
            assert capturing.wait(60) == 0
        finally:
            job.process.kill()
            job.process.stdout.close()

    return run


def ledger_of(file):
    """Return (the ledger of a capture, its only pool)."""
    source = ReplaySource(str(file), 1.0)
    feed = Feed(source, None, keep=True)
    source.play_all()
    feed.update()
    (pool,) = feed.ledger.pools.values()
    return feed.ledger, pool


GATED_POOL = """
import json, sys, threading, time
import idlehands

GATES, HELD_S = 12, 0.03
probe = idlehands.declare_pool("lock-gates", workers=1)
worker, gate, parked = probe.worker(0), threading.Semaphore(0), threading.Semaphore(0)
tokens, wakes = [], []

def serve():
    worker.bind()
    for _ in range(GATES):
        worker.parked()
        parked.release()
        gate.acquire()
        worker.unparked(-1, wakes.pop())
        worker.running(tokens.pop())
        time.sleep(0.002)
        worker.finished()

thread = threading.Thread(target=serve)
thread.start()
print("ready", flush=True)
sys.stdin.readline()
held = []
for _ in range(GATES):
    parked.acquire()
    time.sleep(0.01)
    queued = time.monotonic_ns()
    tokens.append(probe.spawned("passage"))
    time.sleep(HELD_S)
    woken = time.monotonic_ns()
    wakes.append(woken)
    gate.release()
    held.append((queued, woken))
thread.join()
print(json.dumps(held), flush=True)
sys.stdin.readline()
"""


def test_starved_time_between_gates_is_right_within_a_millisecond_a_gate(run_captured):
    """A worker is parked, a task is queued, and only a known time later a wake is sent.

    The pool's own clock readings are the truth. Judged by the middle gate: between reading the
    clock and telling the probe a thread may lose its core.
    """
    with run_captured(GATED_POOL) as (job, file):
        held = json.loads(job.ask("go"))
    ledger, pool = ledger_of(file)
    margin = 3_000_000
    edges = [*(queued - margin for queued, _ in held), held[-1][1] + 10 * margin]
    gates = slice_times(pool, ledger.host, edges)
    errors = [
        abs(gate.pool.starved - (woken - queued))
        for gate, (queued, woken) in zip(gates, held, strict=True)
    ]
    assert len(errors) == 12
    assert statistics.median(errors) < 1_000_000
    assert sum(gate.pool.starved for gate in gates) > 0.9 * 12 * 30_000_000
