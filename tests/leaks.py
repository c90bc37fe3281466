"""Whether a probed job keeps anything of what has ended: pools, readers, forks, workers, items.

Each scenario is a job of `leak_jobs` in a process of its own, which repeats one thing thousands of
times: plain, probed with nobody attached, and probed with a reader attached that takes all it is
sent. The job says ten times what it holds. Compared are the first third and the end, and of both
only what the probed job has gained more than the plain one, for that much the job itself keeps.
Prints a table; the exit status is 1 where something grows.

    .venv/bin/python tests/leaks.py                 # about six minutes
    .venv/bin/python tests/leaks.py --quick         # a tenth of it
    .venv/bin/python tests/leaks.py forks queues    # these only
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import resource
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Callable, NamedTuple

import idlehands
from idlehands.wire import SUFFIX, Decoder, address

JOBS = Path(__file__).with_name("leak_jobs.py")
SOURCES = str(Path(idlehands.__file__).parent.parent)

POINTS, FIRST_THIRD = 10, 3
"""A job says so many times what it holds; judged are this one of them and the last."""
BEFORE = 20
"""Of so many repetitions one is done before the first that counts."""
NOISE_BYTES = 1 << 20
"""What the resident set of a plain job moves by itself between two points, at most (measured)."""
NOISE_OBJECTS = 40
"""What is alive of the probe may differ by a pool or two that are being let go."""
JOB_SECONDS, ALL_SECONDS = 60.0, 470.0
MOST_BYTES = 1 << 30
"""No job is let grow beyond this; of addresses it is given twice as many."""
PATIENCE_SECONDS = 10.0
READERS = 8
"""So many readers a probe admits."""

PLAIN, OFF, DETACHED, ATTACHED, SILENT = "plain", "off", "detached", "attached", "silent readers"
"""`OFF` is for jobs that call the probe themselves: the probe is there, and switched off."""


def bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (2 * MOST_BYTES, 2 * MOST_BYTES))


class Job:
    """A job's process: asked to repeat its thing, it says what it holds then."""

    def __init__(
        self, name: str, folder: Path, *, probed: bool, detail: str, seconds: float
    ) -> None:
        kept = {key: value for key, value in os.environ.items() if not key.startswith("IDLEHANDS")}
        variables = {"IDLEHANDS_DIR": str(folder), "PYTHONPATH": SOURCES}
        if detail:
            variables["IDLEHANDS_DETAIL"] = detail
        if not probed:
            variables["IDLEHANDS"] = "off"
        how = ["-m", "idlehands", "run"] if probed else []
        self.folder = folder
        self.deadline = time.monotonic() + seconds
        self.process = subprocess.Popen(
            [sys.executable, *how, str(JOBS), name],
            env={**kept, **variables},
            preexec_fn=bounded,  # noqa: PLW1509 - the only other threads receive
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )

    @property
    def path(self) -> Path:
        return self.folder / f"{self.process.pid}{SUFFIX}"

    def ask(self, count: int, *, settle: bool = False) -> dict[str, Any]:
        """Have it repeat its thing; return what it holds. Raises TimeoutError, EOFError."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{count} {'settle' if settle else ''}\n".encode())
        self.process.stdin.flush()
        left = max(0.0, self.deadline - time.monotonic())
        ready, _, _ = select.select([self.process.stdout], [], [], left)
        if not ready:
            raise TimeoutError
        line = self.process.stdout.readline()
        if not line:
            raise EOFError
        sample: dict[str, Any] = json.loads(line)
        sample["sockets"] = len(list(self.folder.glob(f"*{SUFFIX}")))
        return sample

    def end(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.close()
        try:
            self.process.wait(PATIENCE_SECONDS)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()


def connected(path: Path) -> socket.socket:
    """Connect to a probe's socket, which may be about to be made. Raises OSError after a while."""
    deadline = time.monotonic() + PATIENCE_SECONDS
    while True:
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        connection.settimeout(PATIENCE_SECONDS)
        try:
            with address(str(path)) as short:
                connection.connect(short)
        except OSError:
            connection.close()
            if time.monotonic() > deadline:
                raise
            time.sleep(0.01)
        else:
            return connection


@contextlib.contextmanager
def draining(path: Path) -> Iterator[None]:
    """Take all that a probe sends, meanwhile."""
    connection = connected(path)

    def drain() -> None:
        with contextlib.suppress(OSError):
            while connection.recv(1 << 18):
                pass

    connection.settimeout(None)
    thread = threading.Thread(target=drain, daemon=True)
    thread.start()
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)
        thread.join()
        connection.close()


@contextlib.contextmanager
def silent(path: Path) -> Iterator[None]:
    """Have as many readers as a probe admits, none of whom reads."""
    connections = [connected(path) for _ in range(READERS)]
    try:
        yield
    finally:
        for connection in connections:
            connection.close()


def read_until(path: Path, kinds: Sequence[str], says: bytes = b"") -> None:
    """Attach, read up to the first frame of one of these kinds, or the end, and hang up."""
    connection = connected(path)
    decoder = Decoder()
    with connection:
        if says:
            connection.sendall(says)
        while True:
            data = connection.recv(1 << 18)
            if not data or any(frame["frame"] in kinds for frame in decoder.feed(data)):
                return


def attach_and_detach(path: Path) -> None:
    read_until(path, ("levels",))


def ask_for_names(path: Path) -> None:
    read_until(path, ("names",), b"n")


def be_refused(path: Path) -> None:
    read_until(path, ("bye", "names"))


class Scenario(NamedTuple):
    """What is repeated, how often, and in which ways; a `visit` is what a reader does each time."""

    name: str
    what: str
    repetitions: int
    job: str
    hows: tuple[str, ...] = (PLAIN, DETACHED, ATTACHED)
    most_bytes: float = 100.0
    visit: Callable[[Path], None] | None = None
    detail: str = "full"  # with nothing given up rings are filled the same all the time


DECLARED = (OFF, DETACHED, ATTACHED)

SCENARIOS = (
    Scenario("named", "thread pools, each its own name", 10_000, "named_thread_pools"),
    Scenario("one-place", "thread pools made at one place", 3_000, "one_place_thread_pools"),
    Scenario("dropped", "thread pools never shut down", 3_000, "dropped_thread_pools"),
    Scenario("long-tasks", "thread pools with tasks of 0.4 ms", 1_000, "long_task_thread_pools"),
    Scenario("declared", "hand-written pools declared, closed", 10_000, "declared_pools", DECLARED),
    Scenario("no-gc", "thread pools, no collector", 1_000, "uncollected_thread_pools"),
    Scenario(
        "no-gc-declared",
        "hand-written, no collector",
        1_000,
        "uncollected_declared_pools",
        DECLARED,
    ),
    Scenario("processes", "process pools, each its own place", 300, "process_pools"),
    Scenario("multiprocessing", "multiprocessing.Pool, own places", 300, "multiprocessing_pools"),
    Scenario("threadpool", "ThreadPool, each its own place", 300, "multiprocessing_thread_pools"),
    Scenario("queues", "queues with a thread, own places", 3_000, "queues"),
    Scenario("one-place-queues", "queues with a thread, one place", 3_000, "one_place_queues"),
    Scenario("queue-threads", "threads at one queue", 3_000, "threads_of_one_queue"),
    Scenario("cleared", "items cleared under the mutex", 1_000_000, "cleared_items", most_bytes=1),
    Scenario("dropped-items", "items a queue drops itself", 300_000, "dropped_items", most_bytes=1),
    Scenario("forks", "forks beside a pool, every 50th a task", 5_000, "forks"),
    Scenario("lone-forks", "forks between pools, no thread", 1_000, "forks_without_threads"),
    Scenario("replaced", "worker processes replaced", 1_000, "replaced_workers"),
    Scenario("thinned", "tasks recorded in less detail", 300_000, "tasks", most_bytes=2, detail=""),
    Scenario("kinds", "tasks, each a kind of its own", 20_000, "kinds_of_task", most_bytes=20),
    Scenario("failing", "tasks that fail or are cancelled", 50_000, "failing_tasks", most_bytes=5),
    Scenario(
        "attach",
        "attach, read, detach, tasks running",
        250,
        "tasks_all_the_time",
        (PLAIN, DETACHED),
        1000,
        attach_and_detach,
    ),
    Scenario(
        "names",
        "ask for names only, tasks running",
        1_000,
        "tasks_all_the_time",
        (PLAIN, DETACHED),
        1000,
        ask_for_names,
    ),
    Scenario(
        "refused",
        "readers beyond 8 silent ones",
        250,
        "tasks_all_the_time",
        (PLAIN, SILENT),
        1000,
        be_refused,
    ),
    Scenario(
        "silent",
        "thread pools beside 8 silent readers",
        3_000,
        "named_thread_pools",
        (PLAIN, SILENT),
    ),
)


class Result(NamedTuple):
    """What a job held at each point, or why it did not come so far."""

    scenario: Scenario
    how: str
    repetitions: int
    points: list[dict[str, Any]]
    failure: str = ""

    def growth(self, what: str) -> float:
        """Return what was gained between the first third and the end."""
        return float(self.points[-1][what] - self.points[FIRST_THIRD - 1][what])

    @property
    def judged(self) -> int:
        """How many repetitions lie between the two."""
        return self.repetitions * (POINTS - FIRST_THIRD) // POINTS

    @property
    def seconds(self) -> float:
        return float(sum(point["seconds"] for point in self.points))

    def objects_gained(self) -> dict[str, int]:
        """Return what was gained of each type of the probe."""
        first, last = self.points[FIRST_THIRD - 1]["objects"], self.points[-1]["objects"]
        gained = {name: count - first.get(name, 0) for name, count in last.items()}
        return {name: count for name, count in gained.items() if count > 0}


def begin(job: Job, scenario: Scenario, how: str, repetitions: int) -> None:
    """Have it done a few times before it counts: caches fill, modules are loaded."""
    job.ask(max(1, repetitions))
    if scenario.visit is not None and how == DETACHED:
        for _ in range(repetitions):
            scenario.visit(job.path)


def run(scenario: Scenario, how: str, repetitions: int, seconds: float) -> Result:
    """Run one scenario one way."""
    points: list[dict[str, Any]] = []
    failure = ""
    with tempfile.TemporaryDirectory(prefix="leaks-") as folder, contextlib.ExitStack() as stack:
        job = Job(
            scenario.job,
            Path(folder),
            probed=how not in (PLAIN, OFF),
            detail=scenario.detail,
            seconds=seconds,
        )
        stack.callback(job.end)
        try:
            begin(job, scenario, how, repetitions // BEFORE)
            if how == ATTACHED:
                stack.enter_context(draining(job.path))
            elif how == SILENT:
                stack.enter_context(silent(job.path))
            share = repetitions // POINTS
            for point in range(1, POINTS + 1):
                began = time.monotonic()
                if scenario.visit is not None and how != PLAIN:
                    for _ in range(share):
                        scenario.visit(job.path)
                visited = time.monotonic() - began
                sample = job.ask(share, settle=how != PLAIN and point in (FIRST_THIRD, POINTS))
                sample["seconds"] += visited
                points.append(sample)
                if sample["memory"] > MOST_BYTES:
                    raise MemoryError
        except TimeoutError:
            failure = f"not done in {seconds:.0f} s"
        except MemoryError:
            failure = f"over {MOST_BYTES >> 20} MB after {len(points) * share:,}"
        except EOFError:
            failure = "the job ended"
        except OSError as error:
            failure = f"no reader: {error}"
    return Result(scenario, how, repetitions, points, failure)


def verdict(result: Result, plain: Result) -> str:
    """Return what grows more than in the plain job, empty where nothing does."""
    if result.failure or plain.failure:
        return result.failure or "nothing to compare with"
    if result.how == PLAIN:
        return ""

    def growth(what: str) -> float:
        of_the_job = plain.growth(what) if plain.how == PLAIN else 0.0
        return result.growth(what) - max(0.0, of_the_job)

    grows = []
    excess = growth("memory")
    if excess > max(NOISE_BYTES, result.scenario.most_bytes * result.judged):
        grows.append("memory")
    for what in ("descriptors", "threads", "sockets"):
        if growth(what) > 0:
            grows.append(what)
    gained = result.objects_gained()
    if sum(gained.values()) > NOISE_OBJECTS:
        most = sorted(gained, key=lambda name: -gained[name])[:3]
        grows.append("objects: " + ", ".join(f"{gained[name]} {name}" for name in most))
    return "grows: " + "; ".join(grows) if grows else ""


HEADINGS = (
    *("scenario", "times", "how", "MB first", "MB last", "bytes/time"),
    *("descriptors", "threads", "sockets", "objects", "s", "verdict"),
)


def cells(result: Result, plain: Result) -> tuple[str, ...]:
    """Return a line of the table."""
    judged = verdict(result, plain) or ("" if result.how == PLAIN else "flat")
    begins = (result.scenario.name, f"{result.repetitions:,}", result.how)
    if len(result.points) < POINTS:
        return (*begins, *[""] * (len(HEADINGS) - 4), judged)
    first, last = result.points[FIRST_THIRD - 1], result.points[-1]

    def from_to(what: str) -> str:
        return f"{first[what]} → {last[what]}"

    return (
        *begins,
        f"{first['memory'] / 1e6:.1f}",
        f"{last['memory'] / 1e6:.1f}",
        f"{result.growth('memory') / result.judged:+,.0f}",
        from_to("descriptors"),
        from_to("threads"),
        from_to("sockets"),
        f"{sum(first['objects'].values())} → {sum(last['objects'].values())}",
        f"{result.seconds:.1f}",
        judged,
    )


def print_table(rows: Sequence[tuple[str, ...]]) -> None:
    table = [HEADINGS, *rows]
    widths = [max(len(row[column]) for row in table) for column in range(len(HEADINGS))]
    for row in table:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip())


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the scenarios asked for; print the table; return 1 where something grows."""
    names = [scenario.name for scenario in SCENARIOS]
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("scenarios", nargs="*", metavar="SCENARIO", help=", ".join(names))
    parser.add_argument("--quick", action="store_true", help="a tenth of the repetitions")
    options = parser.parse_args(arguments)
    unknown = set(options.scenarios) - set(names)
    if unknown:
        parser.error(f"no scenario {', '.join(sorted(unknown))}; there are: {', '.join(names)}")
    deadline = time.monotonic() + ALL_SECONDS
    rows: list[tuple[str, ...]] = []
    grown = 0
    for scenario in SCENARIOS:
        if options.scenarios and scenario.name not in options.scenarios:
            continue
        repetitions = scenario.repetitions // (10 if options.quick else 1)
        plain: Result | None = None
        for how in scenario.hows:
            left = max(1.0, min(JOB_SECONDS, deadline - time.monotonic()))
            result = run(scenario, how, repetitions, left)
            plain = plain or result
            grown += bool(verdict(result, plain))
            rows.append(cells(result, plain))
            print("  ".join(rows[-1]), file=sys.stderr, flush=True)
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores")
    print_table(rows)
    return 1 if grown else 0


if __name__ == "__main__":
    sys.exit(main())
