"""`idlehands run --capture`: the capture holds a job from its first task on, however it ends.

``JOBS_PYTHON`` does not count here: the recorder needs the monitor's Python, and so does the job.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import textwrap
import time

import pytest

from helpers import environment, idlehands, wait_until
from idlehands_monitor.ingest.capture import CaptureReader
from idlehands_monitor.ingest.sources import host
from idlehands_monitor.session.opening import read_target

FLUSH_NS = 300_000_000
"""The probe sends its rows five times a second; this is one time and a machine that is busy."""

HAND_WRITTEN = """
    import idlehands

    def run_all(count, before):
        pool = idlehands.declare_pool("mill", 1)
        worker = pool.worker(0)
        worker.bind()
        for number in range(count):
            worker.running(worker.spawned("grind"))
            before(number)
            worker.finished()
"""
EXECUTORS = """
    from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
    from multiprocessing import Pool
    from multiprocessing.pool import ThreadPool

    def run_all(count, before):
        with {maker}(2) as pool:
            list(pool.map(before, range(count), chunksize=1))
"""
QUEUE = """
    import queue, threading

    def run_all(count, before):
        jobs = queue.Queue()

        def work():
            while (number := jobs.get()) is not None:
                before(number)
                jobs.task_done()
            jobs.task_done()

        threads = [threading.Thread(target=work) for _ in range(2)]
        for thread in threads:
            thread.start()
        for number in range(count):
            jobs.put(number)
        jobs.join()
        for thread in threads:
            jobs.put(None)
        for thread in threads:
            thread.join()
"""
POOLS = {
    "hand_written": HAND_WRITTEN,
    "threads": EXECUTORS.replace("{maker}", "ThreadPoolExecutor"),
    "processes": EXECUTORS.replace("{maker}", "ProcessPoolExecutor"),
    "pool_of_processes": EXECUTORS.replace("{maker}", "Pool"),
    "pool_of_threads": EXECUTORS.replace("{maker}", "ThreadPool"),
    "queue": QUEUE,
}
WORK = """
    import os, sys, time

    def one(number):
        time.sleep({seconds})
        with open({log!r}, "a", buffering=1) as log:
            log.write(f"{{time.monotonic_ns()}}\\n")

    if __name__ == "__main__":
        run_all({count}, one)
        {end}
"""


class Recorded:
    """A job under `idlehands run --capture`, its files, and what its capture says."""

    def __init__(self, tmp_path):
        self.folder = tmp_path / "sockets"
        self.folder.mkdir(mode=0o700)
        self.file = tmp_path / "job.idlehands"
        self.log = tmp_path / "tasks.log"
        self.script = tmp_path / "job.py"
        self.started = []

    def start(self, text, *options, **more):
        self.script.write_text(textwrap.dedent(text))
        job = subprocess.Popen(
            [
                *(sys.executable, "-m", "idlehands", "run", "--capture", str(self.file)),
                *options,
                str(self.script),
            ],
            env=environment(self.folder),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **more,
        )
        self.started.append(job)
        return job

    def work(self, pool, count, seconds=0.0, end=""):
        text = WORK.format(count=count, seconds=seconds, log=str(self.log), end=end)
        return textwrap.dedent(POOLS[pool]) + textwrap.dedent(text)

    def tasks_of_job(self, before_ns=1 << 62):
        """How many tasks the job itself says it has run by then."""
        if not self.log.exists():
            return 0
        return sum(int(line) < before_ns for line in self.log.read_text().splitlines())

    def reading(self):
        wait_until(self.file.exists, "the capture's name")
        reading = read_target(str(self.file), 0.0, causes=False)
        assert reading.source.warning == ""
        assert reading.source.skipped == ()
        return reading

    def tasks(self):
        """How many tasks the capture holds the rows of."""
        return sum(pool.tasks.finished for pool in self.reading().pools)


@pytest.fixture
def recorded(tmp_path):
    found = Recorded(tmp_path)
    yield found
    for job in found.started:
        job.kill()
        job.communicate()


@pytest.mark.parametrize("pool", POOLS)
def test_a_capture_holds_every_task_of_each_kind_of_pool_by_the_time_the_job_has_ended(
    pool, recorded
):
    job = recorded.start(recorded.work(pool, 200))
    assert job.communicate(timeout=60) == ("", "")
    assert job.returncode == 0
    assert recorded.file.exists()
    assert recorded.tasks() == recorded.tasks_of_job() == 200


@pytest.mark.parametrize("pool", POOLS)
def test_a_job_that_ends_by_os_exit_has_handed_over_every_task(pool, recorded):
    job = recorded.start(recorded.work(pool, 50, end="os._exit(7)"))
    job.communicate(timeout=60)
    assert job.returncode == 7
    assert recorded.file.exists()
    assert recorded.tasks() == 50


@pytest.mark.parametrize("pool", ["hand_written", "threads"])
def test_a_job_of_a_few_milliseconds_is_held_whole(pool, recorded):
    job = recorded.start(recorded.work(pool, 3))
    job.communicate(timeout=60)
    assert recorded.tasks() == 3


@pytest.mark.parametrize("pool", POOLS)
def test_a_job_that_is_killed_half_way_loses_no_more_than_one_flush(pool, recorded):
    job = recorded.start(recorded.work(pool, 100_000, seconds=0.002), start_new_session=True)
    wait_until(lambda: recorded.tasks_of_job() > 300, "some tasks")
    killed_ns = time.monotonic_ns()
    os.kill(job.pid, signal.SIGKILL)
    assert job.wait(20) == -signal.SIGKILL
    with contextlib.suppress(ProcessLookupError):
        os.killpg(job.pid, signal.SIGKILL)  # its worker processes
    job.communicate(timeout=60)
    assert recorded.tasks() >= recorded.tasks_of_job(killed_ns - FLUSH_NS) > 0


def test_a_job_that_crashes_leaves_its_capture(recorded):
    crash = "import ctypes; time.sleep(0.5); ctypes.string_at(0)"
    job = recorded.start(recorded.work("threads", 100, end=crash))
    job.communicate(timeout=60)
    assert job.returncode == -signal.SIGSEGV
    assert recorded.tasks() == 100


def test_processes_that_a_job_starts_are_in_the_same_capture(recorded):
    child = "import idlehands; w = idlehands.declare_pool('child', 1).worker(0); w.bind()"
    child += "; w.running(w.spawned('sort')); w.finished()"
    end = f"import subprocess; subprocess.run([sys.executable, '-c', {child!r}], check=True)"
    job = recorded.start(recorded.work("hand_written", 5, end=end))
    assert job.communicate(timeout=60) == ("", "")
    pools = {pool.name: pool.tasks.finished for pool in recorded.reading().pools}
    assert pools == {"mill": 5, "child": 1}
    assert len(recorded.reading().source.processes) == 2


def test_the_job_has_its_own_output_status_input_and_no_child(recorded):
    text = """
        import os, sys
        print(sys.stdin.readline().strip(), sys.argv)
        print("apart", file=sys.stderr)
        try:
            os.wait()
        except ChildProcessError:
            print("no child")
        sys.exit(5)
    """
    job = recorded.start(text, stdin=subprocess.PIPE)
    out, errors = job.communicate("hello\n", timeout=60)
    assert out.splitlines() == [f"hello ['{recorded.script}']", "no child"]
    assert errors.splitlines()[0] == "apart"
    assert job.returncode == 5


def test_signals_of_the_terminal_reach_the_job_and_not_the_recorder(recorded):
    end = "print('ready', flush=True); time.sleep(60)"
    job = recorded.start(recorded.work("threads", 5, end=end), process_group=0)
    assert job.stdout.readline() == "ready\n"
    os.killpg(job.pid, signal.SIGTSTP)
    wait_until(lambda: host.is_stopped(job.pid), "the stop")
    os.killpg(job.pid, signal.SIGCONT)
    os.killpg(job.pid, signal.SIGINT)
    _, errors = job.communicate(timeout=60)
    assert job.returncode == -signal.SIGINT
    assert errors.splitlines()[-1] == "KeyboardInterrupt"
    assert recorded.tasks() == 5


def test_a_capture_that_exists_is_not_replaced_and_the_job_is_not_started(recorded):
    recorded.file.write_text("a letter")
    job = recorded.start("print('ran')")
    out, errors = job.communicate(timeout=60)
    assert (job.returncode, out) == (2, "")
    assert errors == (
        f"idlehands run: {recorded.file}: exists and was not changed; --force replaces it\n"
    )
    assert recorded.file.read_text() == "a letter"
    job = recorded.start(recorded.work("threads", 5), "--force")
    job.communicate(timeout=60)
    assert recorded.tasks() == 5


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--capture"], "--capture needs a value"),
        (["--force", "job.py"], "--force needs --capture"),
        (["--max=5MB", "job.py"], "--max needs --capture"),
        (["--capture", "a.idlehands"], "no job"),
        (["--capture", "no/folder/a.idlehands", "job.py"], "No such file or directory"),
        (["--capture", "a.idlehands", "--max", "5", "job.py"], "'5' is no size such as 512MB"),
    ],
)
def test_a_mistake_is_one_line_and_status_2(arguments, says, recorded, tmp_path):
    (tmp_path / "job.py").write_text("print('ran')")
    done = idlehands("run", *arguments, folder=recorded.folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_a_recorder_that_is_ended_completes_the_capture_and_the_job_goes_on(recorded):
    end = "print('ready', flush=True); sys.stdin.readline(); print('on')"
    job = recorded.start(recorded.work("threads", 5, end=end), stdin=subprocess.PIPE)
    assert job.stdout.readline() == "ready\n"
    (socket,) = recorded.folder.glob("*.recorder")
    time.sleep(0.5)  # the rows of the tasks are sent five times a second
    os.kill(listener_of(socket), signal.SIGTERM)
    wait_until(recorded.file.exists, "the capture")
    out, _ = job.communicate("\n", timeout=60)
    assert (job.returncode, out) == (0, "on\n")
    assert recorded.tasks() == 5
    assert not socket.exists()


def listener_of(path):
    """The process that listens at a socket, by what its peer says of it."""
    import socket
    import struct

    with socket.socket(socket.AF_UNIX) as asking:
        asking.connect(str(path))
        return struct.unpack("3i", asking.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))[0]


def test_a_killed_recorder_does_the_job_no_harm_and_leaves_what_can_be_read(recorded):
    end = "print('ready', flush=True); sys.stdin.readline(); run_all(5, one); print('on')"
    job = recorded.start(recorded.work("threads", 5, end=end), stdin=subprocess.PIPE)
    assert job.stdout.readline() == "ready\n"
    part = recorded.file.with_name(recorded.file.name + ".part")
    wait_until(lambda: len(list(CaptureReader(part))) > 0, "a block")
    (socket,) = recorded.folder.glob("*.recorder")
    os.kill(listener_of(socket), signal.SIGKILL)
    out, errors = job.communicate("\n", timeout=60)
    assert (job.returncode, out, errors) == (0, "on\n", "")
    assert not recorded.file.exists()
    reading = read_target(str(part), 0.0, causes=False)
    assert "did not finish it" in reading.source.warning
    assert [pool.name for pool in reading.pools] != []


def test_the_header_says_what_the_capture_was_written_with(recorded):
    job = recorded.start(recorded.work("threads", 1))
    job.communicate(timeout=60)
    facts = CaptureReader(recorded.file).facts
    assert facts["python"] == sys.version.split()[0]
    assert facts["cores"] == len(os.sched_getaffinity(0))
    assert json.dumps(facts)
    assert time.strptime(facts["written"][:19], "%Y-%m-%dT%H:%M:%S")
    assert facts["written"][-6] in "+-"
