"""Whether a probed job keeps anything of what has ended: pools, readers, forks, workers, items.

Each scenario is a job of `leak_jobs` in a process of its own, which repeats one thing thousands of
times: plain, probed with nobody attached, and probed with a reader attached that takes all it is
sent. The job reports ten times what it holds. The first third and the end are compared, and only by
what the probed job has gained more than the plain one: the job itself holds the rest. Prints a
table; the exit status is 1 where something grows.

    .venv/bin/python tests/leaks.py                 # minutes
    .venv/bin/python tests/leaks.py --quick         # a tenth of it
    .venv/bin/python tests/leaks.py forks queues    # these only
"""

from __future__ import annotations

import argparse
import contextlib
import os
import platform
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Callable, NamedTuple

from leak_process import (
    MOST_BYTES,
    Job,
    NotInTime,
    ask_for_names,
    attach_and_detach,
    be_refused,
    draining,
    silent,
)

POINTS, FIRST_THIRD = 10, 3
"""A job says so many times what it holds; judged are this one of them and the last."""
BEFORE, POOLS_BEFORE = 50, 200
"""Of so many repetitions of a full run one is done before the first that counts; or so many pools
are closed, for the probe keeps the last of them up to a bound."""
NOISE_BYTES, NOISE_BYTES_READ = 8 << 20, 24 << 20
"""What the resident set moves by itself between two points: the probe keeps so much of pools that
have closed, on purpose, and they come and go; the second while a reader has not read them yet."""
NOISE_DESCRIPTORS = 2
"""A caller may be at the door, or on its way out, just when the job counts."""
NOISE_SOCKETS = 64
"""Children that end by `os._exit` leave theirs; the probe sweeps so many away once a second."""
NOISE_OBJECTS = 800
"""What is alive of the probe may differ by the sixty or so pools, of about a dozen objects each,
that have closed and are being let go."""
JOB_SECONDS, ALL_SECONDS = 60.0, 470.0

PLAIN, OFF, DETACHED, ATTACHED = "plain", "off", "detached", "attached"
VISITED, SILENT = "visited", "silent readers"
"""`OFF` is for jobs that call the probe themselves: the probe is there, and switched off."""


class Scenario(NamedTuple):
    """A job, how often it repeats its thing, and in which ways it is run.

    `most_bytes` is what a repetition may add to the memory, `visit` what a reader does each time.
    """

    name: str
    job: str
    repetitions: int
    most_bytes: float = 100.0
    hows: tuple[str, ...] = (PLAIN, DETACHED, ATTACHED)
    visit: Callable[[Path], None] | None = None
    detail: str = "full"  # with nothing given up rings are filled the same all the time

    @property
    def quick_repetitions(self) -> int:
        return max(self.repetitions // 10, min(100, self.repetitions))


DECLARED = (OFF, DETACHED, ATTACHED)

POOLS_THAT_END = (
    Scenario("named", "named_thread_pools", 10_000),
    Scenario("dropped", "dropped_thread_pools", 3_000),
    Scenario("long-tasks", "long_task_thread_pools", 1_000),
    Scenario("no-gc", "uncollected_thread_pools", 1_000),
    Scenario("declared", "declared_pools", 10_000, hows=DECLARED),
    Scenario("no-gc-declared", "uncollected_declared_pools", 4_000, hows=DECLARED),
    Scenario("processes", "process_pools", 300),
    Scenario("multiprocessing", "multiprocessing_pools", 300),
    Scenario("threadpool", "multiprocessing_thread_pools", 300),
    Scenario("queues", "queues", 3_000),
    Scenario("silent", "named_thread_pools", 3_000, hows=(PLAIN, SILENT)),
)
"""The probe keeps the last of these for a while, up to a bound."""
POOLS_THAT_STAY = (
    Scenario("one-place", "one_place_thread_pools", 3_000),
    Scenario("one-place-queues", "one_place_queues", 3_000),
    Scenario("queue-threads", "threads_of_one_queue", 3_000),
    Scenario("cleared", "cleared_items", 1_000_000, most_bytes=1),
    Scenario("dropped-items", "dropped_items", 1_000_000, most_bytes=1),
    Scenario("forks", "forks", 5_000),
    Scenario("lone-forks", "forks_without_threads", 1_000),
    Scenario("replaced", "replaced_workers", 1_000),
    Scenario("thinned", "tasks", 300_000, most_bytes=2, detail=""),
    Scenario("kinds", "kinds_of_task", 20_000, most_bytes=20),
    Scenario("failing", "failing_tasks", 50_000, most_bytes=5),
    Scenario("attach", "tasks_all_the_time", 250, 1000, (PLAIN, VISITED), attach_and_detach),
    Scenario("names", "tasks_all_the_time", 1_000, 1000, (PLAIN, VISITED), ask_for_names),
    Scenario("refused", "tasks_all_the_time", 250, 1000, (PLAIN, SILENT), be_refused),
)
SCENARIOS = (*POOLS_THAT_END, *POOLS_THAT_STAY)


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


def begin(job: Job, scenario: Scenario, how: str, readers: contextlib.ExitStack) -> None:
    """Attach who is to be attached, and have caches and rings filled before it counts."""
    keeps = scenario in POOLS_THAT_END
    times = POOLS_BEFORE if keeps else max(1, scenario.repetitions // BEFORE)
    job.ask(1)
    if how == VISITED:
        with draining(job.path):
            job.ask(0, "fill")
    elif how == ATTACHED:
        readers.enter_context(draining(job.path))
    elif how == SILENT:
        readers.enter_context(silent(job.path))
    job.ask(times if scenario.visit is None else 0, "fill")
    if scenario.visit is not None and how != PLAIN:
        for _ in range(times):
            scenario.visit(job.path)


def points_of(job: Job, scenario: Scenario, how: str, share: int) -> Iterator[dict[str, Any]]:
    """Have it done, and yield each time what the job holds then."""
    for point in range(1, POINTS + 1):
        began = time.monotonic()
        if scenario.visit is not None and how != PLAIN:
            for _ in range(share):
                scenario.visit(job.path)
        visited = time.monotonic() - began
        settles = how != PLAIN and point in (FIRST_THIRD, POINTS)
        sample = job.ask(share, "settle" if settles else "")
        sample["seconds"] += visited
        yield sample


def run(scenario: Scenario, how: str, repetitions: int, seconds: float) -> Result:
    """Run one scenario one way."""
    points: list[dict[str, Any]] = []
    failure = ""
    share = repetitions // POINTS
    with tempfile.TemporaryDirectory(prefix="leaks-") as folder:
        probed = how not in (PLAIN, OFF)
        job = Job(
            scenario.job, Path(folder), probed=probed, detail=scenario.detail, seconds=seconds
        )
        try:
            with contextlib.ExitStack() as readers:
                begin(job, scenario, how, readers)
                for sample in points_of(job, scenario, how, share):
                    points.append(sample)
                    if sample["memory"] > MOST_BYTES:
                        failure = f"over {MOST_BYTES >> 20} MB after {len(points) * share:,}"
                        break
                if not failure and probed and not points[-1]["sockets"]:
                    failure = "nobody can attach any more"
        except NotInTime:
            failure = f"not done in {seconds:.0f} s"
        except EOFError:
            failure = "the job ended"
        except OSError as error:
            failure = f"no reader: {error}"
        finally:
            job.end()
    if job.said:
        failure = f"{failure or 'said'}: {job.said.splitlines()[-1]}"
    return Result(scenario, how, repetitions, points, failure)


def verdict(result: Result, plain: Result | None) -> str:
    """Return what grows more than in the plain job, empty where nothing does."""
    if result.failure:
        return result.failure
    if result.how == PLAIN:
        return ""

    def growth(what: str) -> float:
        of_the_job = 0.0 if plain is None or plain.failure else plain.growth(what)
        return result.growth(what) - max(0.0, of_the_job)

    grows = []
    excess = growth("memory")
    noise = NOISE_BYTES if result.how in (OFF, DETACHED) else NOISE_BYTES_READ
    if excess > max(noise, result.scenario.most_bytes * result.judged):
        grows.append("memory")
    for what, noise in (
        ("descriptors", NOISE_DESCRIPTORS),
        ("threads", 0),
        ("sockets", NOISE_SOCKETS),
    ):
        if growth(what) > noise:
            grows.append(what)
    gained = result.objects_gained()
    if sum(gained.values()) > NOISE_OBJECTS:
        most = sorted(gained, key=lambda name: -gained[name])[:3]
        grows.append("objects: " + ", ".join(f"{gained[name]} {name}" for name in most))
    return "grows: " + "; ".join(grows) if grows else ""


HEADINGS = (
    *("scenario", "times", "how", "MB first", "MB last", "bytes/time", "at most"),
    *("descriptors", "threads", "sockets", "objects", "s", "verdict"),
)


def cells(result: Result, plain: Result | None) -> tuple[str, ...]:
    """Return a line of the table; the last cell is the verdict."""
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
        f"{result.scenario.most_bytes:g}",
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
        repetitions = scenario.quick_repetitions if options.quick else scenario.repetitions
        plain: Result | None = None
        for how in scenario.hows:
            left = min(JOB_SECONDS, deadline - time.monotonic())
            if left > 0:
                result = run(scenario, how, repetitions, left)
            else:
                result = Result(scenario, how, repetitions, [], "no time left")
            plain = result if how == PLAIN else plain
            grown += bool(verdict(result, plain))
            rows.append(cells(result, plain))
            print("  ".join(rows[-1]), file=sys.stderr, flush=True)
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores")
    print_table(rows)
    print(
        f"Growth is more than the plain job's by {NOISE_BYTES >> 20} MB and by the bytes at most."
    )
    return 1 if grown else 0


if __name__ == "__main__":
    sys.exit(main())
