"""The window is what was asked for: of running pools, of captures, of processes without a probe."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time

import psutil
import pytest

from helpers import draft_of, environment, idlehands, wait_until
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.model.worker_time import CATEGORIES
from idlehands_monitor.session.feed import Feed

pytestmark = pytest.mark.long

POOL = """
import time
import idlehands
probe = idlehands.declare_pool("left", workers=1)
worker = probe.worker(0)
worker.bind()
while True:
    worker.running(worker.spawned("tick"))
    time.sleep(0.002)
    worker.finished()
"""
UNPROBED = """
import threading, time
from concurrent.futures import ThreadPoolExecutor
def tick(number):
    time.sleep(0.01)
print("ready", flush=True)
with ThreadPoolExecutor(2) as pool:
    while True:
        list(pool.map(tick, range(20)))
"""


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    return path


@pytest.fixture
def running(folder):
    """A pool that has run for some seconds."""
    with subprocess.Popen([sys.executable, "-c", POOL], env=environment(folder)) as process:
        wait_until(lambda: os.listdir(folder), "its socket")
        began = time.monotonic()
        wait_until(lambda: time.monotonic() - began > 3.0, "three seconds of its past")
        yield process.pid
        process.kill()


def explained(target, *arguments, folder):
    done = idlehands("explain", target, "--json", "--no-gains", *arguments, folder=folder)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def captured(folder, path, *arguments):
    done = idlehands("capture", "left", "-o", path, *arguments, folder=folder)
    assert done.returncode == 0, done.stderr
    return explained(path, folder=folder)


@pytest.mark.parametrize(
    ("arguments", "seconds"), [(("--for", "2s"), 2.0), (("--for", "1s", "--past", "2s"), 3.0)]
)
def test_a_capture_covers_the_time_that_was_asked_for(
    folder, running, tmp_path, arguments, seconds
):
    path = tmp_path / "left.idlehands"
    found = captured(folder, path, *arguments)
    (pool,) = found["pools"]
    assert pool["window_s"] == pytest.approx(seconds, abs=0.001)
    assert 0 < pool["tasks"]["finished"] <= seconds / 0.002
    assert found["window"]["end_s"] - found["window"]["begin_s"] == pytest.approx(
        seconds, abs=0.001
    )
    # Nor does its replay show what came before.
    source = ReplaySource(str(path))
    source.play_all()
    feed = Feed(source, 10_000_000_000)
    feed.update()
    shown = feed.reading().pools[0]
    assert (shown.end_ns - shown.begin_ns) / 1e9 == pytest.approx(seconds, abs=0.51)


def test_a_capture_that_was_asked_for_no_time_has_all_that_the_target_held(
    folder, running, tmp_path
):
    path = tmp_path / "all.idlehands"
    with subprocess.Popen(
        [sys.executable, "-m", "idlehands", "capture", str(running), "-o", str(path)],
        env=environment(folder),
        stderr=subprocess.PIPE,
        text=True,
    ) as capture:
        wait_until(draft_of(path).exists, "the capture")
        psutil.Process(running).kill()
        capture.communicate(timeout=60)
    assert explained(path, folder=folder)["pools"][0]["window_s"] > 2.5


@pytest.mark.parametrize(
    ("arguments", "seconds"), [(("--for", "1s"), 1.0), (("--for", "1s", "--past", "1s"), 2.0)]
)
def test_explain_of_what_runs_covers_the_time_that_was_asked_for(
    folder, running, arguments, seconds
):
    found = explained(running, *arguments, folder=folder)
    assert found["pools"][0]["window_s"] == pytest.approx(seconds, abs=0.001)
    age_s = time.time() - psutil.Process(running).create_time()
    assert found["window"]["end_s"] < age_s + 1.0
    assert found["window"]["begin_s"] > 2.0  # a second of it is not the first of the run
    assert found["window"]["begin"].startswith("20")


@pytest.fixture(scope="module")
def demonstrated(tmp_path_factory):
    """A capture of some seconds of the demonstration, and its folder."""
    folder = tmp_path_factory.mktemp("windows")
    folder.chmod(0o700)
    path = folder / "demo.idlehands"
    done = idlehands(
        "demo", "--for", "6s", "--no-screen", "--capture", path, folder=folder, seconds=120
    )
    assert done.returncode == 0, done.stderr
    return path, folder


@pytest.mark.extra
def test_parts_of_a_capture_add_up_to_the_whole_to_the_last_task_and_nanosecond(demonstrated):
    path, folder = demonstrated
    whole = explained(path, folder=folder)
    begin_s, end_s = whole["window"]["begin_s"], whole["window"]["end_s"]
    edges = [begin_s, begin_s + 1.7, begin_s + 3.1, end_s]
    pools = []
    for low, high in zip(edges, edges[1:], strict=False):
        part = explained(path, "--from", f"{low:.6f}s", "--to", f"{high:.6f}s", folder=folder)
        assert part["window"]["begin_s"] == pytest.approx(low, abs=1e-5)
        assert part["window"]["end_s"] == pytest.approx(high, abs=1e-5)
        pools.append(part["pools"][0])
    (all_of_it,) = whole["pools"]
    assert sum(one["tasks"]["finished"] for one in pools) == all_of_it["tasks"]["finished"]
    for sort in ("hits", "empties", "lost_races"):
        # Attempts are counted from one levels frame to the next, five times a second.
        found = sum(one["steals"][sort] for one in pools)
        assert found == pytest.approx(all_of_it["steals"][sort], rel=0.2, abs=3)
    total = all_of_it["worker_seconds"]
    assert sum(one["worker_seconds"] for one in pools) == pytest.approx(total, rel=1e-6)
    for category in CATEGORIES:
        key = f"{category}_s"
        summed = sum(one["worker_time"][key] for one in pools)
        # What ran or waited for a core comes from samples, which a part has fewer of.
        assert summed == pytest.approx(all_of_it["worker_time"][key], abs=0.03 * total), category


@pytest.mark.extra
def test_each_form_of_the_report_says_the_same_window(demonstrated, tmp_path):
    path, folder = demonstrated
    page = tmp_path / "a.html"
    arguments = ("explain", path, "--no-gains", "--from", "2s", "--to", "4s")
    said = "2.0 s to 4.0 s of the run."
    for form in ([], ["--markdown"], ["--html", page]):
        done = idlehands(*arguments, *form, folder=folder)
        assert done.returncode == 0, done.stderr
        assert said in (page.read_text() if "--html" in form else done.stdout)


@pytest.mark.extra
def test_a_capture_of_a_process_without_a_probe_keeps_its_window_its_cores_and_its_uptime(
    folder, tmp_path
):
    path = tmp_path / "outside.idlehands"
    with subprocess.Popen(
        [sys.executable, "-c", UNPROBED], stdout=subprocess.PIPE, text=True
    ) as process:
        process.stdout.readline()
        done = idlehands("capture", process.pid, "-o", path, "--for", "3s", folder=folder)
        cores = len(os.sched_getaffinity(process.pid))
        age_s = time.time() - psutil.Process(process.pid).create_time()
        process.kill()
    assert done.returncode == 0, done.stderr
    found = explained(path, folder=folder)
    assert found["source"]["cores"] == cores
    assert 2.5 < found["source"]["uptime_s"] < age_s + 1.0
    assert found["sampled"][0]["window_s"] == pytest.approx(3.0, abs=0.3)
    low = found["window"]["begin_s"] + 1
    part = explained(path, "--from", f"{low}s", "--to", f"{low + 1}s", folder=folder)
    assert part["sampled"][0]["window_s"] == pytest.approx(1.0, abs=0.01)
