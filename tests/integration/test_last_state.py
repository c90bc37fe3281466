"""What is left of a job that was killed, crashed or hangs, by the commands that a person types."""

from __future__ import annotations

import json
import os
import signal

import pytest

from helpers import idlehands, wait_until

JOB = """
import ctypes, os, sys, threading, time
from concurrent.futures import ThreadPoolExecutor

def haul(seconds):
    time.sleep(seconds)

pool = ThreadPoolExecutor(3, thread_name_prefix="berth")
list(pool.map(haul, [0.01] * 9))
for _ in range(5):
    pool.submit(haul, 3600)
time.sleep(0.2)
print("ready", flush=True)
for line in sys.stdin:
    exec(line)
"""
ENDS = {
    "SIGKILL": "os.kill(os.getpid(), 9)",
    "a segmentation fault": "ctypes.string_at(0)",
    "os._exit": "os._exit(0)",
}
HOLDS_THE_LOCK = "ctypes.PyDLL(None).sleep(3600)"


def explained(pid, folder, *options):
    return idlehands("explain", pid, *options, folder=folder)


def state_of(pid, folder):
    ended = explained(pid, folder, "--json")
    assert ended.returncode == 0, ended.stderr
    return json.loads(ended.stdout)["last_state"]


@pytest.fixture
def job(start):
    job, folder = start(JOB)
    assert job.says() == "ready"
    wait_until(lambda: list(folder.glob("*.state")), "the page")
    (page,) = folder.glob("*.state")
    first = page.stat().st_mtime_ns
    wait_until(lambda: page.stat().st_mtime_ns > first, "a page of after the last task")
    return job, folder


@pytest.mark.parametrize("end", ENDS.values(), ids=list(ENDS))
def test_a_job_that_ended_abruptly_is_listed_and_explained(job, end):
    job, folder = job
    job.tell(end)
    job.process.wait(30)
    listed = idlehands("pools", folder=folder)
    assert listed.returncode == 3
    (line,) = [line for line in listed.stdout.splitlines() if "(ended)" in line]
    assert str(job.pid) in line
    assert "berth" in line
    assert "ended without its exit functions, last seen 20" in listed.stdout
    assert f"idlehands explain {job.pid}" in listed.stdout
    (process,) = json.loads(idlehands("pools", "--json", folder=folder).stdout)
    assert process["pid"] == job.pid
    assert process["last_seen_s"] > 0
    text = explained(job.pid, folder)
    assert text.returncode == 0
    assert f"there is no process {job.pid}" in text.stderr
    assert text.stdout.count("in a task") == 3
    assert text.stdout.count("haul") == 3
    (pool,) = state_of(job.pid, folder)["pools"]
    assert (pool["handed_in"], pool["ran"], pool["queued"]) == (14, 9, 2)
    assert [worker["state"] for worker in pool["listed"]] == ["working"] * 3
    assert all(0 <= worker["for_s"] < 30 for worker in pool["listed"])


@pytest.mark.extra
@pytest.mark.parametrize("option", ["--markdown", "--html"])
def test_a_last_state_is_there_as_markdown_and_as_html(job, tmp_path, option):
    job, folder = job
    job.process.kill()
    job.process.wait(30)
    file = [str(tmp_path / "a.html")] if option == "--html" else []
    ended = explained(job.pid, folder, option, *file)
    assert ended.returncode == 0
    text = (tmp_path / "a.html").read_text() if file else ended.stdout
    assert text.count("haul") == 3
    assert "berth" in text


def test_a_job_that_ends_well_is_not_listed(start):
    job, folder = start(JOB.replace("3600", "0.1") + "\npool.shutdown()\n")
    assert job.says() == "ready"
    wait_until(lambda: list(folder.glob("*.state")), "the page")
    job.process.stdin.close()
    assert job.process.wait(30) == 0
    job.process.stdin = None
    assert list(folder.iterdir()) == []
    listed = idlehands("pools", folder=folder)
    assert listed.returncode == 3
    assert "no probed pool is running here" in listed.stderr
    assert explained(job.pid, folder).returncode == 3


@pytest.mark.extra
def test_a_stopped_job_is_explained_by_its_last_state(job):
    job, folder = job
    os.kill(job.pid, signal.SIGSTOP)
    try:
        listed = idlehands("pools", folder=folder)
        assert "does not answer: the process is stopped" in listed.stdout
        assert "(ended)" not in listed.stdout
        text = explained(job.pid, folder)
        assert text.returncode == 0
        assert "The process is stopped." in text.stdout
        assert text.stdout.count("haul") == 3
        state = state_of(job.pid, folder)
        assert (state["is_running"], state["is_stopped"]) == (True, True)
    finally:
        os.kill(job.pid, signal.SIGCONT)


@pytest.mark.extra
def test_a_job_in_a_call_that_holds_the_interpreter_lock_is_said_to_run_no_other_thread(job):
    job, folder = job
    job.tell(HOLDS_THE_LOCK)
    said = "its interpreter has run no other thread for "
    wait_until(lambda: said in idlehands("pools", folder=folder).stdout, "the silence", seconds=60)
    text = explained(job.pid, folder)
    assert text.returncode == 0
    assert said in text.stdout
    assert text.stdout.count("haul") == 3
    state = state_of(job.pid, folder)
    assert state["is_running"]
    assert state["age_s"] >= 3


@pytest.mark.extra
def test_an_end_by_name_of_the_pool_is_explained_too(job):
    job, folder = job
    job.process.kill()
    job.process.wait(30)
    (pool,) = state_of(job.pid, folder)["pools"]
    by_name = explained(pool["name"], folder)
    assert by_name.returncode == 0
    assert f"process {job.pid}" in by_name.stdout
