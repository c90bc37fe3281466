"""Findings of real jobs name the function and the line, live and in captures, where that may be."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from helpers import environment, idlehands
from idlehands.wire import Decoder
from idlehands_monitor.ingest.capture import CaptureReader

# Only with a core to spare do workers wait for a lock, and not for a core.
pytestmark = [pytest.mark.long, pytest.mark.alone]

WELL = """\
import threading, time
from concurrent.futures import ThreadPoolExecutor
bucket = threading.Lock()

def draw_water(jug, secret="xylographic"):
    with bucket:
        time.sleep(0.02)
    return jug

if __name__ == "__main__":
    with ThreadPoolExecutor(4, thread_name_prefix="well") as pool:
        print("ready", flush=True)
        for round in range(600):
            list(pool.map(draw_water, range(8)))
"""
TAKES, HOLDS = 6, 7
"""The lines that take and hold the lock."""
MILL = """\
import threading
from concurrent.futures import ThreadPoolExecutor

def mill(grain):
    flour = 0
    for part in range(grain):
        flour += part & 7
    return flour

def grind_alone():
    stones = 0
    while True:
        stones += 1

if __name__ == "__main__":
    pool = ThreadPoolExecutor(2, thread_name_prefix="mill")
    pool.submit(mill, 1).result()

    def feed():
        for _ in range(100_000):
            pool.submit(mill, 4_000_000).result()

    for _ in range(2):
        threading.Thread(target=feed, daemon=True).start()
    print("ready", flush=True)
    grind_alone()
"""
REFUSING = "#!/bin/sh\necho 'Error: Permission Denied: try sudo' >&2\nexit 1\n"


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    return path


@pytest.fixture
def job(tmp_path, folder):
    """Start a probed job by its text; return its process, which ends with the test."""
    started = []

    def start(text):
        script = tmp_path / "job.py"
        script.write_text(text)
        process = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "run", str(script)],
            env=environment(folder),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        started.append(process)
        assert process.stdout.readline() == "ready\n"
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


def finding(document, *codes):
    """Return the first finding with one of these codes."""
    (pool,) = document["pools"]
    return next(one for one in pool["findings"] if one["code"] in codes)


def explained(*arguments, folder, **changes):
    done = idlehands("explain", *arguments, "--json", folder=folder, seconds=120.0, **changes)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def at(place):
    return place["function"], os.path.basename(place["file"]), place["line"]


def test_a_job_with_a_lock_names_the_line_that_takes_it_and_the_line_that_holds_it(job, folder):
    process = job(WELL)
    found = finding(explained(process.pid, "--for", "6s", "--no-gains", folder=folder), "lock-wait")
    lines = {at(one["place"]) for one in found["places"]["waiting"]}
    assert ("draw_water", "job.py", TAKES) in lines
    assert lines <= {("draw_water", "job.py", TAKES), ("draw_water", "job.py", HOLDS)}
    assert found["places"]["dumps"] >= 5
    assert sum(one["share"] for one in found["places"]["waiting"]) > 0.9


@pytest.mark.extra
def test_a_capture_carries_the_places_and_the_lock_has_its_holder(job, folder, tmp_path):
    file = tmp_path / "well.idlehands"
    process = job(WELL)
    done = idlehands("capture", process.pid, "-o", file, "--for", "8s", folder=folder)
    assert done.returncode == 0, done.stderr
    found = finding(explained(file, folder=folder), "lock-wait")["places"]
    assert at(found["waiting"][0]["place"]) == ("draw_water", "job.py", TAKES)
    assert at(found["holding"][0]["place"]) == ("draw_water", "job.py", HOLDS)
    assert found["waiting"][0]["share"] > 0.9
    written = idlehands("explain", file, folder=folder, seconds=120.0).stdout
    assert f"Where: __main__.draw_water at draw_water (job.py:{TAKES})" in written
    assert f"at draw_water (job.py:{HOLDS})" in written.split("Held by: ", 1)[1].splitlines()[0]


@pytest.mark.extra
def test_a_capture_without_stacks_has_none(job, folder, tmp_path):
    file = tmp_path / "well.idlehands"
    process = job(WELL)
    done = idlehands(
        "capture", process.pid, "-o", file, "--for", "4s", "--no-stacks", folder=folder
    )
    assert done.returncode == 0, done.stderr
    inside = b"".join(block.frames for block in CaptureReader(file))
    frames = list(Decoder().feed(inside))
    assert "rows" in {frame["frame"] for frame in frames}
    assert "stacks" not in {frame["frame"] for frame in frames}
    assert finding(explained(file, folder=folder), "lock-wait")["places"] is None


@pytest.mark.extra
def test_the_main_thread_that_holds_the_interpreter_lock_is_named(job, folder):
    process = job(MILL)
    document = explained(process.pid, "--for", "6s", "--no-gains", folder=folder)
    found = finding(document, "interpreter-lock")["places"]
    assert {one["place"]["function"] for one in found["waiting"]} == {"mill"}
    holders = {one["who"]: one for one in found["holding"]}
    assert at(holders["the main thread"]["place"])[:2] == ("grind_alone", "job.py")


@pytest.mark.extra
def test_without_the_right_to_trace_a_finding_says_what_is_needed(job, folder, tmp_path):
    program = tmp_path / "py-spy"
    program.write_text(REFUSING)
    program.chmod(0o755)
    process = job(WELL)
    document = explained(
        process.pid, "--for", "4s", "--no-gains", folder=folder, IDLEHANDS_PYSPY=str(program)
    )
    found = finding(document, "lock-wait")["places"]
    assert found["waiting"] == []
    assert "CAP_SYS_PTRACE" in found["missing"]


@pytest.mark.extra
def test_the_stacks_of_a_capture_are_functions_files_and_lines(job, folder, tmp_path):
    file = tmp_path / "well.idlehands"
    process = job(WELL)
    idlehands("capture", process.pid, "-o", file, "--for", "4s", folder=folder)
    inside = b"".join(block.frames for block in CaptureReader(file))
    dumps = [frame for frame in Decoder().feed(inside) if frame["frame"] == "stacks"]
    threads = [thread for dump in dumps for thread in dump["threads"]]
    assert threads
    assert {frozenset(thread) for thread in threads} == {
        frozenset(["pid", "native_id", "ident", "name", "owns_lock", "wait", "frames"])
    }
    for thread in threads:
        for function, path, line in thread["frames"]:
            assert (type(function), type(path), type(line)) == (str, str, int)
    assert b"xylographic" not in inside


@pytest.mark.parametrize(
    "option", [(), pytest.param(("--no-stacks",), marks=pytest.mark.extra)], ids=["", "no-stacks"]
)
def test_a_job_that_is_recorded_from_its_first_task_names_the_line(tmp_path, folder, option):
    script, capture = tmp_path / "job.py", tmp_path / "job.idlehands"
    script.write_text(WELL.replace("range(600)", "range(40)"))
    idlehands("run", "--capture", capture, *option, script, folder=folder, seconds=60.0)
    places = finding(explained(capture, folder=folder), "lock-wait")["places"]
    if option:
        assert places is None
        return
    assert at(places["waiting"][0]["place"]) == ("draw_water", "job.py", TAKES)
    assert at(places["holding"][0]["place"]) == ("draw_water", "job.py", HOLDS)
