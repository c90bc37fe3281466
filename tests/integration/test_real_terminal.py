"""The dashboard on a real terminal: a pseudo-terminal, and pyte to read what it shows."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios

import psutil
import pyte
import pytest

from helpers import environment, idlehands, wait_until
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.session.seek import feed_at, landmarks


class Terminal:
    """A program on a pseudo-terminal of a given size, and its screen."""

    def __init__(self, arguments, env, columns, lines):
        self.screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self.screen)
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
        self.process = subprocess.Popen(
            arguments, env=env, stdin=slave, stdout=slave, stderr=slave, start_new_session=True
        )
        os.close(slave)

    def read(self):
        """Take in what has been written and return the screen's text."""
        with contextlib.suppress(OSError):
            while select.select([self.master], [], [], 0.02)[0]:
                self._stream.feed(os.read(self.master, 65536))
        return "\n".join(self.screen.display)

    def shows(self, *words):
        return self.comes_to(lambda text: all(word in text for word in words), f"{words}")

    def comes_to(self, holds, what):
        """Wait until the screen's text is as it should be; fail with the screen as it is."""
        try:
            wait_until(lambda: holds(self.read()), f"{what} on the screen", 30)
        except AssertionError as error:
            raise AssertionError(f"{error}, which shows:\n{self.read()}") from None
        return self.read()

    def type(self, keys):
        os.write(self.master, keys.encode())

    def child(self):
        """Return the demonstration that the command runs in a process of its own."""
        children = psutil.Process(self.process.pid).children(recursive=True)
        return next(child for child in children if "idlehands_demo" in " ".join(child.cmdline()))

    def close(self):
        if self.process.poll() is None:
            for child in psutil.Process(self.process.pid).children(recursive=True):
                child.terminate()  # a dashboard that is ended from outside leaves its program
            self.process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(10)
            self.process.kill()
        self.process.wait()
        os.close(self.master)


@pytest.fixture
def terminal(tmp_path):
    """Start the dashboard of the demonstration on a terminal of a given size."""
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    started = []

    def start(columns, lines, *arguments, **changes):
        env = environment(folder, TERM="xterm-256color", COLORTERM="truecolor")
        env.pop("NO_COLOR", None)
        env.update(changes)
        command = [sys.executable, "-m", "idlehands", *arguments]
        started.append(Terminal(command, env, columns, lines))
        return started[-1]

    yield start
    for one in started:
        one.close()


@pytest.mark.parametrize(("columns", "lines"), [(80, 24), (120, 36), (200, 60)])
def test_the_demo_shows_its_dashboard_and_q_leaves_it(terminal, columns, lines):
    screen = terminal(columns, lines, "demo")
    # A narrow screen shortens station-day in its middle.
    shown = screen.shows("tide-archive · 8 workers", "● live", "tasks/s", "doing now", "day")
    assert "thief ↓ victim →" in shown
    assert "█ working" in shown
    demo = screen.child()
    screen.type("q")
    wait_until(lambda: (screen.read(), screen.process.poll())[1] is not None, "the end", 20)
    assert screen.process.returncode == 0
    assert "tide-archive (invented data)" in screen.read()
    wait_until(lambda: not demo.is_running(), "the demonstration's end")


def test_killing_the_demo_leaves_the_dashboard_up_and_saying_so(terminal):
    screen = terminal(100, 30, "demo")
    screen.shows("● live", "worker-seconds")
    screen.child().send_signal(signal.SIGKILL)
    screen.shows("■ ended", "was killed or crashed")
    assert "tide-archive · 8 workers" in screen.read()
    assert screen.process.poll() is None
    screen.type("\x03")
    wait_until(lambda: (screen.read(), screen.process.poll())[1] is not None, "the end", 20)
    assert screen.process.returncode == 1
    assert "ended by signal 9" in screen.read()
    assert "Traceback" not in screen.read()


def test_enter_opens_a_worker_with_its_stack_or_says_what_is_missing(terminal):
    screen = terminal(120, 50, "demo")
    screen.shows("● live", "worker-seconds")
    screen.type("\x1b[B\r")
    shown = screen.shows("Worker 1 of tide-archive", "Stack")
    screen.comes_to(lambda text: "worker.py:" in text or "not permitted" in text, "a stack")
    assert "tide-archive-1" in shown
    screen.type("\x1b")
    wait_until(lambda: "Worker 1 of" not in screen.read(), "the way back")


def test_sixteen_colours_use_glyphs_for_the_matrix(terminal):
    screen = terminal(100, 30, "demo", TERM="linux", COLORTERM="")
    screen.shows("live", "..::--==++**##@@")


def test_closing_the_terminal_ends_the_demonstration_too(terminal):
    screen = terminal(100, 30, "demo")
    screen.shows("● live", "worker-seconds")
    demo = screen.child()
    screen.process.send_signal(signal.SIGHUP)
    wait_until(lambda: (screen.read(), not demo.is_running())[1], "the demonstration's end", 20)


def test_a_killed_dashboard_leaves_the_demonstration_running_to_be_attached_to(terminal, tmp_path):
    screen = terminal(100, 30, "demo")
    screen.shows("● live", "worker-seconds")
    demo = screen.child()
    try:
        screen.process.kill()
        screen.process.wait()
        assert demo.is_running()
        done = idlehands("explain", demo.pid, "--for", "2s", "--json", folder=tmp_path / "sockets")
        (pool,) = json.loads(done.stdout)["pools"]
        assert pool["window_s"] > 1.5
        assert pool["lost_rows"] == 0
    finally:
        demo.terminate()


FAILING = """
import time
from concurrent.futures import ThreadPoolExecutor

def fire_the_tiles_of_the_north_kiln(tile):
    time.sleep(0.01)
    raise ValueError("cracked")

with ThreadPoolExecutor(3, thread_name_prefix="kiln") as pool:
    while True:
        for firing in [pool.submit(fire_the_tiles_of_the_north_kiln, n) for n in range(20)]:
            firing.exception()
"""


def test_a_stock_pool_that_fails_says_so_and_shows_its_queue_on_80_by_24(terminal, tmp_path):
    job = tmp_path / "kiln.py"
    job.write_text(FAILING)
    env = environment(tmp_path / "sockets")
    with subprocess.Popen([sys.executable, "-m", "idlehands", "run", str(job)], env=env) as running:
        try:
            wait_until(lambda: list((tmp_path / "sockets").iterdir()), "the job's socket")
            screen = terminal(80, 24, "watch", "kiln")
            shown = screen.shows("● live", "failed (100 %)", "queue length", "_kiln", " ms")
            for word in ("deque", "stolen", "submitter"):
                assert word not in shown
            screen.type("q")
            wait_until(lambda: (screen.read(), screen.process.poll())[1] is not None, "the end")
        finally:
            running.terminate()


@pytest.mark.long
def test_j_takes_a_replay_to_the_moments_that_broke_a_promise(terminal, tmp_path):
    file = tmp_path / "early.idlehands"
    made = idlehands(
        *("demo", "--fault", "early-park", "--for", "4s", "--no-screen", "--capture", file),
        folder=tmp_path / "sockets",
    )
    assert made.returncode == 0, made.stderr
    window_ns = 10_000_000_000
    moments = landmarks(ReplaySource(str(file)), window_ns).broken[0, "parks-when-empty"]
    assert len(moments) > 2
    screen = terminal(120, 36, "watch", str(file))
    screen.shows("▶ replay", "tasks/s")
    screen.type("s")
    screen.shows("j goes to a moment at which it was broken", "workers park only when")
    for place in (1, 2):
        screen.type("j")
        screen.shows("replay, paused", f"broken moment {place} of {len(moments)}: workers park")
        (pool,) = feed_at(ReplaySource(str(file)), window_ns, 0, moments[place - 1]).reading().pools
        assert moments[place - 1] <= pool.end_ns < moments[place - 1] + window_ns // 10
        assert f"{len(pool.workers)} workers" in screen.read()
    screen.type("b")
    screen.shows(f"moment 1 of {len(moments)}")
    screen.type(" ")
    screen.shows(" ▶ replay ")
    wait_until(lambda: "moment 1 of" not in screen.read(), "the replay going on")


@pytest.mark.extra
@pytest.mark.long
def test_a_mark_set_with_m_is_in_the_capture_and_its_replay_goes_there(terminal, tmp_path):
    file = tmp_path / "marked.idlehands"
    screen = terminal(80, 24, "demo", "--for", "8s", "--capture", file)
    screen.shows("● live", "worker-seconds")
    screen.type("m")
    screen.shows("A mark at this moment")
    screen.type("the tide turns\r")
    screen.shows("the tide turns · kept in")
    screen.shows("■ ended")
    screen.type("q")
    wait_until(lambda: (screen.read(), screen.process.poll())[1] is not None, "the end", 60)
    done = idlehands("explain", file, "--json", "--no-gains", folder=tmp_path / "sockets")
    document = json.loads(done.stdout)
    (mark,) = document["marks"]
    assert mark["note"] == "the tide turns"
    assert document["window"]["begin_s"] < mark["at_s"] < document["window"]["end_s"]
    replay = terminal(80, 24, "watch", file)
    replay.shows("▶ replay", "worker-seconds")
    replay.type("l")
    replay.shows("Go to", f"{mark['at_s']:.2f} s", "mark", "the tide turns")
    replay.type("tide\r")
    replay.shows("replay, paused", f"{mark['at_s']:.2f} s of the run")
    replay.type("m")
    replay.shows("not in its replay")


def test_t_shows_the_steals_of_the_demo_on_the_whole_terminal(terminal):
    screen = terminal(120, 36, "demo")
    screen.shows("● live", "worker-seconds")
    screen.type("t")
    screen.shows("steals, thief ↓ victim →", "as a thief", "over time, ", "t back")
    screen.type("u")
    screen.shows("steals, per second")
    screen.type("t")
    screen.shows("worker-seconds", "t steals")
