"""What the probe costs the program it is in: seven rows, each measured in one run.

A benchmark, never a test: it exits with 0 whether its bars hold or not. `docs/benchmarks.md`
says how each row is judged.
"""

from __future__ import annotations

import argparse
import contextlib
import statistics
import sys
from collections.abc import Iterator
from time import perf_counter_ns, process_time_ns
from typing import Any, Callable

from attached_reader import Reader
from import_cost import import_row
from paired_job import job_row
from pool_hooks import Variant, floor, histogram, log, patched, plain, probe, run_items, span
from small_tasks import queue_rows, tiny_rows
from support import Row, arguments, finish, interleaved, median_over

import idlehands

FLOOR_BAR, ATTACHED_BAR, MISSED_BAR = 2.5, 1 / 8, 2.0
WARM_UP_TASKS = 200
HISTOGRAM_BAR = 1.0
LONG_CHUNKS = 40
"""Chunks in a round of row 2: long enough for several of the publisher's flushes."""
LONG_JOB = 160
"""Tasks of a job of row 4, in units: ten seconds or so, in which dear detail is given up."""
NUMBERS = tuple(range(1500))


def nothing() -> None:
    """Do a task with no work in it: for what a hook adds, any work only makes noise."""


def a_little() -> int:
    """Do a task that keeps one thread below the rate at which a ring goes round unread."""
    return sum(NUMBERS)


def cpu_per_task(variant: Variant, count: int) -> float:
    """Return CPU nanoseconds per task in one thread, helper threads included.

    Nothing in the loop sleeps, so on a quiet machine this is its wall time; on a busy one it
    leaves out what other processes took.
    """
    with patched(variant):
        run_items(variant, WARM_UP_TASKS, nothing)  # the interpreter specialises to the hook
        began = process_time_ns()
        run_items(variant, count, nothing)
        return (process_time_ns() - began) / count


def added_rows(rounds: int, count: int) -> tuple[list[Row], list[str]]:
    """Row 1: CPU time added per task with nobody attached, against the floor and a histogram."""
    variants = {
        "plain": plain(),
        "floor": floor(),
        "probe": probe(),
        "histogram": histogram(),
        "log": log(),
        "span": span(),
    }
    idlehands.configure(full_detail=True)  # or it would be given up, for tasks as small as these
    found = interleaved(
        {
            name: lambda variant=variant: cpu_per_task(variant, count)
            for name, variant in variants.items()
        },
        rounds,
    )
    idlehands.configure(full_detail=False)
    added = {name: median_over(found[name], found["plain"]) for name in found if name != "plain"}
    floors, ours = added["floor"], added["probe"]
    measured = f"probe {ours:.0f} ns, floor {floors:.0f} ns"
    rows = [
        Row("1 added per task, nobody attached: of the floor", measured, ours / floors, FLOOR_BAR),
        Row(
            "1 added per task, nobody attached: of a histogram",
            f"probe {ours:.0f} ns, histogram {added['histogram']:.0f} ns",
            ours / added["histogram"],
            HISTOGRAM_BAR,
        ),
    ]
    each = ", ".join(f"{name} {value:.0f}" for name, value in added.items())
    return rows, [
        f"row 1: a bare work item takes {statistics.median(found['plain']):.0f} ns",
        f"row 1: nanoseconds of CPU added per task: {each}",
    ]


@contextlib.contextmanager
def attached(reader: Reader) -> Iterator[None]:
    """Have a reader attached, caught up, for the block."""
    reader.attach()
    try:
        yield
    finally:
        reader.detach()


class LongRound:
    """Rounds of row 2: CPU and wall nanoseconds per task, the publisher's part included."""

    def __init__(self, count: int, reader: Reader) -> None:
        self.count = count
        self.reader = reader
        self.wall: dict[str, list[float]] = {}
        self.sent = self.lost = 0

    def run(self, name: str, variant: Variant) -> float:
        watched = attached(self.reader) if name == "attached" else contextlib.nullcontext()
        with patched(variant), watched:
            run_items(variant, WARM_UP_TASKS, a_little)
            cpu, wall = process_time_ns(), perf_counter_ns()
            run_items(variant, self.count, a_little)
            wall = perf_counter_ns() - wall
            if name == "attached":
                # What is still in the rings has to be sent too; it belongs to these tasks.
                counts = self.reader.sync()
                self.sent += counts["tasks"]
                self.lost += counts["lost"]
            cpu = process_time_ns() - cpu
        self.wall.setdefault(name, []).append(wall / self.count)
        return cpu / self.count


def attached_row(rounds: int, count: int) -> tuple[list[Row], list[str]]:
    """Row 2: what the probe adds with a monitor attached, of what a span adds to the same task."""
    idlehands.configure(full_detail=True)  # or it would be given up, for tasks as small as these
    bare, probed, spanned = plain(), probe(), span()
    reader = Reader()
    long = LongRound(count, reader)
    try:
        cpu = interleaved(
            {
                "plain": lambda: long.run("plain", bare),
                "probe": lambda: long.run("probe", probed),
                "attached": lambda: long.run("attached", probed),
                "span": lambda: long.run("span", spanned),
            },
            rounds,
        )
    finally:
        reader.close()
        idlehands.configure(full_detail=False)
    alone, watched, spans = (
        median_over(cpu[name], cpu["plain"]) for name in ("probe", "attached", "span")
    )
    measured = f"attached {watched:.0f} ns, span {spans:.0f} ns of CPU"
    row = Row("2 the same, a monitor attached: of a span", measured, watched / spans, ATTACHED_BAR)
    walls = [median_over(long.wall[name], long.wall["plain"]) for name in ("probe", "attached")]
    expected = rounds * (count + WARM_UP_TASKS)
    return [row], [
        f"row 2: nobody attached {alone:.0f} ns ({watched / alone:.2f} x)",
        f"row 2 in wall time: attached {walls[1]:.0f} ns, nobody {walls[0]:.0f} ns "
        f"({walls[1] / walls[0]:.2f} x)",
        f"row 2: the reader got {long.sent} of {expected} task rows; {long.lost} rows were lost",
    ]


class Cell:
    """One cell of a list counted up by a method call: the least that counting can cost."""

    __slots__ = ("counts",)

    def __init__(self) -> None:
        self.counts = [0] * 8

    def add(self, place: int) -> None:
        self.counts[place] += 1


def missed_row(rounds: int, count: int) -> tuple[list[Row], list[str]]:
    """Row 3: a failed steal attempt against one increment through a method call."""
    probe = idlehands.declare_pool("bench attempts", workers=8)
    calls: dict[str, Callable[[int], Any]] = {
        "missed": probe.worker(0).missed,
        "increment": Cell().add,
    }

    def per_call(call: Callable[[int], Any]) -> float:
        began = perf_counter_ns()
        for _ in range(count):
            call(3)
        return (perf_counter_ns() - began) / count

    found = interleaved(
        {name: lambda call=call: per_call(call) for name, call in calls.items()}, rounds
    )
    empty = interleaved({"loop": lambda: per_call(int)}, 5)
    probe.close()
    missed, increment = (statistics.median(found[name]) for name in ("missed", "increment"))
    measured = f"missed {missed:.0f} ns, increment {increment:.0f} ns"
    return [Row("3 a failed steal attempt", measured, missed / increment, MISSED_BAR)], [
        f"row 3: the loop itself with a call of int is {statistics.median(empty['loop']):.0f} ns"
    ]


def main() -> int:
    """Run all rows and print them."""
    parser = arguments(__doc__.splitlines()[0], rounds=120, tasks=1000)
    parser.add_argument("--rows", default="1234567", help="which rows to measure (1234567)")
    options: argparse.Namespace = parser.parse_args()
    if sys.version_info >= (3, 14):
        parser.error("needs Python 3.9 to 3.13: later work items take other arguments")
    rounds = max(4, options.rounds // (10 if options.quick else 1))
    few = max(4, rounds // 6)
    measures: dict[str, Callable[[], tuple[list[Row], list[str]]]] = {
        "1": lambda: added_rows(rounds, options.tasks),
        "2": lambda: attached_row(few, options.tasks * LONG_CHUNKS),
        "3": lambda: missed_row(rounds, options.tasks * 10),
        "4": lambda: job_row(
            max(4, rounds // 16), options.tasks * (2 if options.quick else LONG_JOB)
        ),
        "5": lambda: import_row(max(20, few)),
        "6": lambda: tiny_rows(rounds, options.tasks),
        "7": lambda: queue_rows(rounds, options.tasks),
    }
    rows: list[Row] = []
    notes: list[str] = []
    for number, measure in measures.items():
        if number in options.rows:
            found, said = measure()
            rows += found
            notes += said
    return finish(options, rows, notes)


if __name__ == "__main__":
    sys.exit(main())
