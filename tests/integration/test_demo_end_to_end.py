"""The main job on real input: a real pool in its own process, watched over a real socket.

Every figure of the monitor is held against the pool's own counts, which it keeps without the
probe.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading

import psutil
import pytest

from explain_schema import faults
from helpers import environment, idlehands, wait_until
from idlehands_monitor.analysis.time.worker_time import pool_time
from idlehands_monitor.ingest.sources.live import LiveSource
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.views.json import document


@contextlib.contextmanager
def demo(folder, *arguments):
    """Run the demonstration program; yield its process; end it afterwards."""
    program = subprocess.Popen(
        [sys.executable, "-m", "idlehands_demo", *map(str, arguments)],
        env=environment(folder),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        yield program
    finally:
        if program.poll() is None:
            program.send_signal(signal.SIGCONT)
            program.terminate()
        try:
            program.communicate(timeout=15)
        except subprocess.TimeoutExpired:
            program.kill()
            program.communicate()


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A socket folder of the test's own, for this process too."""
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    monkeypatch.setenv("IDLEHANDS_DIR", str(path))
    return path


@contextlib.contextmanager
def attached(target, window_ns=None):
    source = LiveSource(str(target))
    feed = Feed(source, window_ns, keep=window_ns is None)
    try:
        yield feed
    finally:
        source.close()


def until(feed, holds, what):
    def check():
        feed.update()
        return holds()

    wait_until(check, what, 30)


def test_every_figure_equals_the_pools_own_count(folder, tmp_path):
    report, capture = tmp_path / "report.json", tmp_path / "a.idlehands"
    with demo(folder, "--for", "4s", "--report", report) as program, attached(program.pid) as feed:
        until(feed, lambda: feed.source.status.state == "live", "attached")
        feed.source.start_capture(str(capture))
        until(feed, lambda: feed.source.status.state == "ended", "the end of the program")
        assert program.wait(15) == 0
    own = json.loads(report.read_text())
    live = document(feed.reading())
    done = idlehands("explain", capture, "--json", "--no-gains", folder=folder)
    assert done.returncode == 0, done.stderr
    kept = json.loads(done.stdout)
    for seen in (live, kept):
        (pool,) = seen["pools"]
        assert pool["lost_rows"] == 0
        assert pool["misuses"] == 0
        assert pool["tasks"]["finished"] == own["tasks_finished"] > 500
        assert pool["tasks"]["spawned"] == own["spawned"]
        assert pool["tasks"]["queued"] == 0
        assert pool["steals"]["matrix"] == own["steals"]
        assert pool["steals"]["attempts_matrix"] == own["attempts"]
        assert pool["steals"]["empties"] == sum(map(sum, own["empties"]))
        assert pool["steals"]["lost_races"] == sum(map(sum, own["lost_races"]))
        assert sum(map(sum, own["steals"])) > 20
        total = sum(pool["worker_time"].values())
        assert total == pytest.approx(pool["workers"] * pool["window_s"], rel=1e-3)
        assert min(pool["worker_time"].values()) >= 0
    assert kept["pools"][0]["steals"] == live["pools"][0]["steals"]


def test_the_command_of_the_readme_gives_a_document_that_closes(folder, tmp_path):
    capture = tmp_path / "a.idlehands"
    done = idlehands("demo", "--for", "3s", "--no-screen", "--capture", capture, folder=folder)
    assert done.returncode == 0, done.stderr
    assert "live: tide-archive (8 workers): working" in done.stdout
    assert "invented" in done.stdout
    explained = idlehands("explain", capture, "--json", "--no-gains", folder=folder)
    assert faults(json.loads(explained.stdout)) == []
    (pool,) = json.loads(explained.stdout)["pools"]
    assert pool["window_s"] > 2
    assert sum(pool["worker_time"].values()) == pytest.approx(8 * pool["window_s"], rel=1e-3)
    assert pool["core_time_from"] == ("kernel" if sys.platform == "linux" else "process")


@pytest.mark.alone
def test_on_core_time_is_between_none_and_what_the_process_used(folder):
    with demo(folder) as program, attached(program.pid) as feed:
        until(feed, lambda: feed.ledger.latest_ns > 0, "figures")
        watched = psutil.Process(program.pid)
        begin, used = feed.ledger.latest_ns, sum(watched.cpu_times()[:2])
        until(feed, lambda: feed.ledger.latest_ns - begin > 3e9, "three seconds")
        used = sum(watched.cpu_times()[:2]) - used
        pool = feed.ledger.pools[0]
        spent = pool_time(pool, feed.ledger.host, begin, feed.ledger.latest_ns)
        assert spent.core_time == "kernel"
        busy = (spent.pool.working + spent.pool.dispatch + spent.pool.searching) / 1e9
        assert 0.5 * used < busy < 1.2 * used


def test_killing_the_program_leaves_the_monitor_saying_so_and_the_capture_readable(
    folder, tmp_path
):
    capture = tmp_path / "a.idlehands"
    with demo(folder) as program, attached(program.pid, 10_000_000_000) as feed:
        until(feed, lambda: feed.source.status.state == "live", "attached")
        feed.source.start_capture(str(capture))
        until(
            feed,
            lambda: feed.ledger.pools and feed.ledger.pools[0].written("tasks") > 300,
            "three hundred tasks",
        )
        program.kill()
        until(feed, lambda: feed.source.status.state == "ended", "the end")
        assert "was killed or crashed" in feed.source.status.note
        assert feed.reading().pools[0].tasks.finished > 0
    done = idlehands("explain", capture, "--json", "--no-gains", folder=folder)
    assert done.returncode == 0
    assert json.loads(done.stdout)["pools"][0]["tasks"]["finished"] > 0


def resident_bytes(pid):
    return psutil.Process(pid).memory_info().rss


@pytest.mark.long
def test_a_stopped_monitor_leaves_the_program_its_memory_and_its_pace(folder, tmp_path):
    with demo(folder, "--workers", 4) as program, attached(program.pid, 5_000_000_000) as feed:
        until(
            feed,
            lambda: feed.ledger.pools and feed.ledger.pools[0].written("tasks") > 2000,
            "a warm program",
        )
        watcher = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "watch", str(program.pid), "--no-screen"],
            env=environment(folder),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert watcher.stdout.readline().startswith("live")
        watcher.send_signal(signal.SIGSTOP)
        before = resident_bytes(program.pid)
        done = feed.ledger.pools[0].written("tasks")
        until(feed, lambda: feed.ledger.pools[0].written("tasks") > done + 4000, "4000 tasks more")
        # Rings and one backlog are all that may have filled: no more than a few megabytes.
        assert resident_bytes(program.pid) - before < 16 << 20
        assert feed.ledger.pools[0].lost_rows == 0  # this reader was not held up by the other
        watcher.send_signal(signal.SIGCONT)
        assert watcher.stdout.readline().startswith(("live", "stalled"))
        watcher.terminate()
        watcher.communicate(timeout=10)


def test_attaching_late_shows_the_recent_past(folder):
    with demo(folder) as program:
        with attached(program.pid) as feed:
            until(
                feed,
                lambda: feed.ledger.pools and feed.ledger.pools[0].written("tasks") > 1500,
                "1500 tasks",
            )
        with attached(program.pid) as feed:
            until(feed, lambda: feed.ledger.latest_ns > 0, "figures")
            reading = feed.reading().pools[0]
            assert reading.tasks.finished >= 1500
            assert reading.window_s > 0.5
            assert reading.lost_rows == 0


def test_a_pools_name_is_found_again_when_its_process_starts_again(folder):
    with demo(folder) as first, attached("tide-archive", 5_000_000_000) as feed:
        until(feed, lambda: feed.ledger.hello.get("pid") == first.pid, "the first process")
        first.kill()
        until(feed, lambda: feed.source.status.state == "ended", "its end")
        assert "waiting for another pool tide-archive" in feed.source.status.note
        with demo(folder) as second:
            until(feed, lambda: feed.ledger.hello.get("pid") == second.pid, "the second process")
            until(feed, lambda: feed.ledger.latest_ns > 0, "its figures")
            assert feed.source.status.state == "live"


def test_a_source_that_is_closed_leaves_at_once_and_makes_up_no_end(folder):
    """What it waits for must not hold up who leaves: its thread has ended when `close` returns."""
    with demo(folder) as program, attached(program.pid, 5_000_000_000) as feed:
        until(feed, lambda: feed.source.status.state == "live", "attached")
        feed.source.close()
        assert not [t for t in threading.enumerate() if t.name == "idlehands-source"]
        assert "bye" not in {frame["frame"] for frame in feed.source.drain()}


def test_a_stopped_program_is_shown_as_stalled(folder):
    with demo(folder) as program, attached(program.pid, 5_000_000_000) as feed:
        until(feed, lambda: feed.source.status.state == "live", "attached")
        program.send_signal(signal.SIGSTOP)
        until(feed, lambda: feed.source.status.state == "stalled", "stalled")
        program.send_signal(signal.SIGCONT)
        until(feed, lambda: feed.source.status.state == "live", "live again")


def test_a_capture_begun_late_has_the_recent_past_in_it(folder, tmp_path):
    capture = tmp_path / "late.idlehands"
    with demo(folder) as program, attached(program.pid, 5_000_000_000) as feed:
        until(
            feed,
            lambda: feed.ledger.pools and feed.ledger.pools[0].written("tasks") > 1000,
            "1000 tasks",
        )
        seen = feed.ledger.pools[0].written("tasks")
        feed.source.start_capture(str(capture))
        assert feed.source.stop_capture() == str(capture)
    (pool,) = json.loads(
        idlehands("explain", capture, "--json", "--no-gains", folder=folder).stdout
    )["pools"]
    assert pool["tasks"]["finished"] >= seen - 10


@pytest.mark.parametrize(
    ("fault", "category", "codes"),
    [
        ("slow-tapes", "blocked_s", ()),  # tasks that wait for what they need may be no finding
        ("single-station", "no_work_s", ("too-little-parallelism",)),
    ],
)
def test_a_fault_shows_in_its_category_and_as_the_headline(
    folder, tmp_path, fault, category, codes
):
    capture = tmp_path / "a.idlehands"
    done = idlehands(
        "demo", "--fault", fault, "--for", "3s", "--no-screen", "--capture", capture, folder=folder
    )
    assert done.returncode == 0, done.stderr
    (pool,) = json.loads(
        idlehands("explain", capture, "--json", "--no-gains", folder=folder).stdout
    )["pools"]
    assert max(pool["worker_time"], key=pool["worker_time"].get) == category
    assert tuple(finding["code"] for finding in pool["findings"])[: len(codes)] == codes


@pytest.mark.extra
@pytest.mark.long
def test_parking_early_starves_far_more_than_the_healthy_pool(folder, tmp_path):
    starved = {}
    for fault in ((), ("--fault", "early-park")):
        capture = tmp_path / f"{len(fault)}.idlehands"
        idlehands("demo", *fault, "--for", "3s", "--no-screen", "--capture", capture, folder=folder)
        (pool,) = json.loads(
            idlehands("explain", capture, "--json", "--no-gains", folder=folder).stdout
        )["pools"]
        starved[bool(fault)] = pool["worker_time"]["starved_s"] / (8 * pool["window_s"])
    assert starved[True] > 0.03
    assert starved[True] > 5 * starved[False]


@pytest.mark.parametrize(
    ("fault", "verdicts"),
    [
        (None, ("kept", "kept")),
        ("owners-take-oldest", ("broken", "kept")),
        ("thieves-take-newest", ("kept", "broken")),
    ],
)
def test_the_ends_that_tasks_are_taken_from_are_those_of_the_switches(folder, fault, verdicts):
    planted = ("--fault", fault) if fault else ()

    def told():
        pools = feed.reading().pools
        ends = pools[0].ends if pools else None
        return ends if ends and "unknown" not in (ends.owners_newest, ends.thieves_oldest) else None

    with demo(folder, *planted) as program, attached(program.pid) as feed:
        until(feed, told, "enough takes with a choice")
        ends = told()
    assert (ends.owners_newest, ends.thieves_oldest) == verdicts


def test_nothing_is_left_behind(folder):
    done = idlehands("demo", "--for", "1s", "--no-screen", folder=folder)
    assert done.returncode == 0, done.stderr
    assert os.listdir(folder) == []
