"""What the probe's tests share: a clock to set, a socket folder, real processes, real readers.

A `Target` is a Python process that runs a script written by the test; the two talk in lines over
its standard input and output, so that neither has to guess how far the other is. A `Reader` is
one connection to a target's socket. Every wait has a deadline and a condition.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import select
import socket
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Callable

import pytest
from probes_frames import columns_of

import idlehands
from idlehands import _notes, _pool, _recorder, _thief
from idlehands._pool import PoolProbe
from idlehands._settings import Settings
from idlehands.wire import SUFFIX, Decoder, Folder, Frame

PATIENCE_SECONDS = 30.0
SOURCES = str(Path(idlehands.__file__).parent.parent)

PRELUDE = """
import os, sys, threading, time
import idlehands

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
        time.sleep(0.001)

def task(worker, kind="work", size=-1):
    worker.running(worker.spawned(kind, size))
    worker.finished()

def publisher():
    from idlehands import _process
    until(lambda: _process._process.publisher is not None and _process._process.publisher.path)
    return _process._process.publisher

def say_warnings():
    from idlehands import _notes
    _notes.log_pending()
"""


class Clock:
    """Stands in for both of the recorder's clocks; goes on only when told to."""

    def __init__(self) -> None:
        self.now_ns = 1_000
        self.cpu_ns = 0

    def advance(self, wall_ns: int, cpu_ns: int = 0) -> None:
        self.now_ns += wall_ns
        self.cpu_ns += cpu_ns


class Target:
    """A process under test and the lines that it and the test say to each other."""

    def __init__(
        self,
        script: Path,
        environment: dict[str, str],
        options: list[str],
        arguments: Sequence[str] = (),
    ) -> None:
        self.process = subprocess.Popen(
            [sys.executable, *options, str(script), *arguments],
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self.pid = self.process.pid
        self.held = b""

    def tell(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n".encode())
        self.process.stdin.flush()

    def says(self) -> str:
        """Return the next line it says."""
        assert self.process.stdout is not None
        while b"\n" not in self.held:
            ready, _, _ = select.select([self.process.stdout], [], [], PATIENCE_SECONDS)
            assert ready, "the target said nothing in time"
            data = os.read(self.process.stdout.fileno(), 4096)
            if not data:
                _, errors = self.process.communicate(timeout=PATIENCE_SECONDS)
                raise AssertionError(f"the target ended without a word: {errors.decode()}")
            self.held += data
        line, _, self.held = self.held.partition(b"\n")
        return line.decode().strip()

    def ends(self) -> str:
        """Wait for its normal end and return what it wrote to standard error."""
        _, errors = self.process.communicate(timeout=PATIENCE_SECONDS)
        assert self.process.returncode == 0, errors.decode()
        return errors.decode()

    def clear_away(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_SECONDS)
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()


class Reader:
    """One connection to a target: takes frames when the test asks, or in a thread until the end."""

    def __init__(self, path: Path) -> None:
        deadline = time.monotonic() + PATIENCE_SECONDS
        while not path.exists():  # the target's own thread makes it
            assert time.monotonic() < deadline, "no socket in time"
            time.sleep(0.002)
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.socket.settimeout(PATIENCE_SECONDS)
        with Folder(str(path.parent)) as folder:
            self.socket.connect(folder.address(path.name))
        self.decoder = Decoder()
        self.frames: list[Frame] = []
        self.thread: threading.Thread | None = None

    def take(self) -> bool:
        """Take what comes next; False at the end of the stream."""
        data = self.socket.recv(1 << 16)
        self.frames += self.decoder.feed(data)
        return bool(data)

    def take_until(self, enough: Callable[[list[Frame]], bool]) -> None:
        while not enough(self.frames):
            assert self.take(), "the stream ended too early"

    def take_all(self) -> list[Frame]:
        if self.thread is not None:
            self.thread.join(PATIENCE_SECONDS)
            assert not self.thread.is_alive()
        else:
            while self.take():
                pass
        return self.frames

    def take_in_thread(self) -> None:
        def go() -> None:
            with contextlib.suppress(OSError):
                while self.take():
                    pass

        self.thread = threading.Thread(target=go, daemon=True)
        self.thread.start()

    def clear_away(self) -> None:
        with contextlib.suppress(OSError):
            self.socket.shutdown(socket.SHUT_RDWR)
        if self.thread is not None:
            self.thread.join(PATIENCE_SECONDS)
        self.socket.close()


class Received:
    """The rows of one ring as they came over the wire, checked to follow on from each other."""

    def __init__(self, frames: list[Frame], table: str, worker: int, pool: int = 0) -> None:
        self.columns: dict[str, list[int]] = {}
        self.rows = self.lost = 0
        for frame in frames:
            if (frame.get("table"), frame.get("pool")) != (table, pool):
                continue
            if frame["frame"] == "rows":
                self._take(frame, worker)
            elif frame["worker"] == worker:
                self.lost += frame["rows"]

    def _take(self, frame: Frame, worker: int) -> None:
        before = 0
        for whose, first, rows in frame["parts"]:
            if whose == worker:
                assert first == self.rows + self.lost, "rows missing or sent twice"
                for name, values in columns_of(frame).items():
                    assert len(values) == frame["rows"]
                    self.columns.setdefault(name, []).extend(values[before : before + rows])
                self.rows += rows
            before += rows
        assert before == frame["rows"]

    @staticmethod
    def rings(frames: list[Frame], table: str) -> set[tuple[int, int]]:
        """Return (pool, worker) of every ring of a table of which some frame has rows."""
        return {
            (frame["pool"], worker)
            for frame in frames
            if frame["frame"] == "rows" and frame["table"] == table
            for worker, _, _ in frame["parts"]
        }


@pytest.fixture(autouse=True)
def _usual_settings(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name in ("IDLEHANDS", "IDLEHANDS_STRICT", "IDLEHANDS_DIR"):
        monkeypatch.delenv(name, raising=False)
    before = Settings.strict
    idlehands.configure(strict=True)
    _notes._pending.clear()
    yield
    idlehands.configure(strict=before)


@pytest.fixture
def lenient() -> None:
    """Misuse is counted and not raised, until the test ends."""
    idlehands.configure(strict=False)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    for module in (_recorder, _thief, _pool):
        monkeypatch.setattr(module, "monotonic_ns", lambda: clock.now_ns)
    monkeypatch.setattr(_recorder, "thread_time_ns", lambda: clock.cpu_ns)
    return clock


@pytest.fixture
def pool() -> PoolProbe:
    """A pool of four workers that no process serves."""
    return PoolProbe("orchard", 4, "work-stealing", 0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    return path


@pytest.fixture
def wait_until() -> Callable[..., None]:
    def wait(condition: Callable[[], Any], seconds: float = PATIENCE_SECONDS) -> None:
        deadline = time.monotonic() + seconds
        while not condition():
            assert time.monotonic() < deadline, "the condition did not come true in time"
            time.sleep(0.002)

    return wait


@pytest.fixture
def start(tmp_path: Path, folder: Path) -> Iterator[Callable[..., Target]]:
    """Start a target that runs a prelude and then the given script."""
    numbers = itertools.count()
    targets: list[Target] = []

    def start(script: str, *, options: tuple[str, ...] = (), **variables: str) -> Target:
        path = tmp_path / f"target-{next(numbers)}.py"
        path.write_text(PRELUDE + textwrap.dedent(script))
        environment = {
            **os.environ,
            "IDLEHANDS_DIR": str(folder),
            "PYTHONPATH": SOURCES,
            **variables,
        }
        target = Target(path, environment, list(options))
        targets.append(target)
        return target

    yield start
    for target in targets:
        target.clear_away()


@pytest.fixture
def start_job(tmp_path: Path, folder: Path) -> Iterator[Callable[..., Target]]:
    """Start a job under `idlehands run`, its script as it is, in a folder of its own."""
    jobs: list[Target] = []

    def start_job(script: str, *arguments: str, **variables: str) -> Target:
        path = tmp_path / "job.py"
        path.write_text(script)
        environment = {
            **os.environ,
            "IDLEHANDS_DIR": str(folder),
            "PYTHONPATH": SOURCES,
            **variables,
        }
        job = Target(path, environment, ["-m", "idlehands", "run"], arguments)
        jobs.append(job)
        return job

    yield start_job
    for job in jobs:
        job.clear_away()


@pytest.fixture
def attach(folder: Path) -> Iterator[Callable[..., Reader]]:
    """Connect to the socket of a process, once it is there."""
    readers: list[Reader] = []

    def attach(pid: int, tail: str = "") -> Reader:
        reader = Reader(folder / f"{pid}{tail}{SUFFIX}")
        readers.append(reader)
        return reader

    yield attach
    for reader in readers:
        reader.clear_away()


@pytest.fixture
def received() -> type[Received]:
    return Received
