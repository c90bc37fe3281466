"""A job of several processes with pools of their own, read as one: live, captured, by name."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from json import loads

import pytest

from helpers import draft_of, environment, idlehands, wait_until
from idlehands_monitor.ingest.sources.live import LiveSource
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.views import json

pytestmark = pytest.mark.long

CHILDREN, TASKS = 2, 60
JOB = f"""
import multiprocessing, sys, time
from concurrent.futures import ThreadPoolExecutor

def haul(number):
    time.sleep(0.002)

def run(name, commands, answers):
    with ThreadPoolExecutor(2, thread_name_prefix=name) as pool:
        pool.submit(haul, -1).result()
        answers.put("ready")
        while commands.get() == "go":
            list(pool.map(haul, range({TASKS})))
            answers.put("done")

if __name__ == "__main__":
    context = multiprocessing.get_context("fork")
    answers = context.Queue()
    commands = [context.Queue() for _ in range({CHILDREN})]
    children = [context.Process(target=run, args=("berth", one, answers)) for one in commands]
    for child in children:
        child.start()
    for _ in children:
        answers.get()
    with ThreadPoolExecutor(3, thread_name_prefix="crane") as pool:
        pool.submit(haul, -1).result()
        print(*(child.pid for child in children), flush=True)
        for line in sys.stdin:
            for one in commands:
                one.put(line.strip())
            if line.strip() != "go":
                break
            list(pool.map(haul, range({TASKS})))
            for _ in children:
                answers.get()
            print("done", flush=True)
        for child in children:
            child.join()
"""


class Job:
    """The job and its children's process ids; `do` has every pool do its tasks once."""

    def __init__(self, folder, tmp_path):
        script = tmp_path / "harbour.py"
        script.write_text(JOB)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "run", str(script)],
            env=environment(folder, IDLEHANDS_DETAIL="full"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.pid = self.process.pid
        self.children = [int(pid) for pid in self.process.stdout.readline().split()]

    def tell(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def do(self):
        self.tell("go")
        assert self.process.stdout.readline() == "done\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    sockets = tmp_path / "sockets"
    sockets.mkdir(mode=0o700)
    monkeypatch.setenv("IDLEHANDS_DIR", str(sockets))
    return sockets


@pytest.fixture
def job(folder, tmp_path):
    one = Job(folder, tmp_path)
    yield one
    for pid in one.children:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    one.process.kill()
    one.process.communicate()


def finished(document):
    return sorted(
        (pool["name"], pool["pid"], pool["tasks"]["finished"]) for pool in document["pools"]
    )


def expected(job):
    done = TASKS + 1
    pools = [("berth", pid, done) for pid in job.children]
    return sorted([*pools, ("crane", job.pid, done)])


def read_of(target, tasks):
    """Attach to `target` and read until so many tasks have been; return the document of all."""
    feed = Feed(LiveSource(target), None, keep=True)
    document = {}

    def all_were_read():
        feed.update()
        document.update(json.document(feed.reading()))
        said = {process["pid"] for process in document["host"]}
        there = {pool["pid"] for pool in document["pools"]}
        return sum(pool["tasks"]["finished"] for pool in document["pools"]) >= tasks and (
            said == there and said
        )

    try:
        wait_until(all_were_read, "all tasks, and what the host says of every process")
    finally:
        feed.source.close()
    return document


def test_a_process_is_read_with_those_it_has_started(job):
    job.do()
    document = read_of(str(job.pid), 3 * (TASKS + 1))
    assert finished(document) == expected(job)
    whole = document["job"]
    assert whole["processes"] == sorted([job.pid, *job.children])
    assert (whole["pools"], whole["workers"]) == (3, 7)
    for category, value in whole["worker_time"].items():
        assert value == pytest.approx(
            sum(pool["worker_time"][category] for pool in document["pools"])
        )


def test_pools_of_one_name_in_several_processes_are_read_as_one_job(job):
    job.do()
    document = read_of("berth", 2 * (TASKS + 1))
    assert finished(document) == [pool for pool in expected(job) if pool[0] == "berth"]


def test_explain_reads_a_process_with_those_it_has_started(job, folder):
    job.do()
    done = idlehands("explain", job.pid, "--json", "--for", "1s", folder=folder)
    assert done.returncode == 0, done.stderr
    document = loads(done.stdout)
    assert {pool["pid"] for pool in document["pools"]} == {job.pid, *job.children}
    assert document["job"]["processes"] == sorted([job.pid, *job.children])


def test_a_capture_of_a_job_is_read_as_the_job_was(job, folder, tmp_path):
    file = tmp_path / "harbour.idlehands"
    capturing = subprocess.Popen(
        [sys.executable, "-m", "idlehands", "capture", str(job.pid), "-o", str(file)],
        env=environment(folder),
        stderr=subprocess.PIPE,
    )
    wait_until(draft_of(file).exists, "the capture")
    job.do()
    job.tell("end")
    assert job.process.wait(30) == 0
    assert capturing.wait(30) == 0
    capturing.stderr.close()
    done = idlehands("explain", file, "--json", "--no-gains", folder=folder)
    assert finished(loads(done.stdout)) == expected(job)
    text = idlehands("explain", file, "--no-gains", folder=folder).stdout
    assert "The job: 3 pools in 3 processes, 7 workers" in text


def test_a_child_that_is_killed_leaves_the_rest_of_the_job_being_read(job, folder):
    feed = Feed(LiveSource(str(job.pid)), None, keep=True)
    try:
        wait_until(lambda: feed.update() and len(feed.ledger.pools) == 3, "three pools")
        os.kill(job.children[0], signal.SIGKILL)
        wait_until(lambda: "was killed" in feed.source.status.note, "the end of the child")
        assert feed.source.status.state == "live"
        feed.update()
        assert [pid for pid, origin in feed.ledger.origins.items() if origin.ended] == [
            job.children[0]
        ]
        before = feed.ledger.latest_ns
        wait_until(lambda: feed.update() and feed.ledger.latest_ns > before, "more of the rest")
    finally:
        feed.source.close()
