"""A job for tests of work, span and their bounds: fully strict fork-join on the demo's pool.

It times every strand with its own clock, in its own tasks, and works out work and span from that;
the probe takes no part in it. Every pool gets one root, so all work is there at once. It prints
"ready", waits for a line, runs its pools one after another and prints its own figures of each pool
by name; then it waits for another line.
"""

from __future__ import annotations

import json
import sys
import time
from typing import Any, NamedTuple

import idlehands_demo.pool
from idlehands_demo.parking import Sleepers
from idlehands_demo.pool import WorkStealingPool
from idlehands_demo.switches import Switches

STRAND_S = 0.002
FIB, FIB_WORKERS, ROUNDS = 9, (1, 2, 4, 8), 3
COMB, COMB_TEETH, COMB_WORKERS = 5, (1, 4, 16), 4
TREE, TREE_WORKERS = 8, 4
FAULTY_WORKERS = 8


class Strands(NamedTuple):
    """Work and span of a task with all below it, in nanoseconds by the job's own clock."""

    work: int
    span: int


def fib(pool: WorkStealingPool, n: int) -> Strands:
    """P-FIB with strands that sleep: before, between and after, or the whole of a leaf.

    T. H. Cormen, C. E. Leiserson, R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition,
    section 27.1.
    """
    began = time.monotonic_ns()
    if n < 2:
        pool.sleep(STRAND_S)  # a wait that is no join: it holds its worker, so it is work
        ran = time.monotonic_ns() - began
        return Strands(ran, ran)
    time.sleep(STRAND_S)
    return forked(pool, began, ((fib, n - 1), (fib, n - 2)))


def comb(pool: WorkStealingPool, teeth: int) -> Strands:
    """So many computations alike beside each other: the work grows with them, the span does not."""
    return forked(pool, time.monotonic_ns(), ((fib, COMB),) * teeth, between_s=0.0)


def forked(
    pool: WorkStealingPool, began: int, calls: tuple[Any, ...], between_s: float = STRAND_S
) -> Strands:
    """Spawn each of the calls, join them all, newest first, and go on for one strand more."""
    children, at = [], []
    for place, (function, argument) in enumerate(calls):
        if place:
            time.sleep(between_s)
        at.append(time.monotonic_ns() - began)
        children.append(pool.spawn(function, pool, argument))
    before = time.monotonic_ns() - began
    below = [child.join() for child in reversed(children)]
    resumed = time.monotonic_ns()
    time.sleep(STRAND_S)
    after = time.monotonic_ns() - resumed
    longest = max(start + child.span for start, child in zip(at, reversed(below)))
    work = before + after + sum(child.work for child in below)
    return Strands(work, max(before, longest) + after)


def walk(pool: WorkStealingPool, height: int) -> None:
    """One root-to-leaf walk: at each inner node spawn one child, go on with the other."""
    while height:
        height -= 1
        pool.spawn(walk, pool, height)
    time.sleep(0.0001)


class DeafSleepers(Sleepers):
    """Spawns by workers wake nobody: tasks lie beside parked workers."""

    def wake_one(self, by: int) -> bool:
        """Wake a worker for what comes from outside only."""
        return by < 0 and super().wake_one(by)

    def wake_all(self, by: int) -> None:
        """Wake every parked worker, for the end of the pool."""
        while super().wake_one(by):
            pass


def run(
    name: str, workers: int, function: Any, argument: int, switches: Switches | None = None
) -> dict[str, Any]:
    """Run one root in a pool of its own; return what the job knows of it."""
    with WorkStealingPool(workers, name, 1, switches) as pool:
        while pool.parked < workers:
            time.sleep(0.001)
        began = time.monotonic_ns()
        root = pool.submit(function, pool, argument)
        strands = root.join()
        took = time.monotonic_ns() - began
    known: dict[str, Any] = {"workers": workers, "took_s": took / 1e9}
    if strands is not None:
        known |= {"work_s": strands.work / 1e9, "span_s": strands.span / 1e9}
    known["hits"] = sum(map(sum, pool.steals))
    known["attempts"] = sum(map(sum, pool.attempts))
    return known


def say(line: str) -> None:
    """Tell the test a line."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main() -> None:
    """Run every pool and print what is known of them."""
    with WorkStealingPool(1, "waits-for-the-monitor"):
        say("ready")
        sys.stdin.readline()
    known = {}
    for attempt in range(ROUNDS):
        for workers in FIB_WORKERS:
            name = f"fib-{workers}-{attempt}"
            known[name] = run(name, workers, fib, FIB)
        for teeth in COMB_TEETH:
            name = f"comb-{teeth}-{attempt}"
            known[name] = run(name, COMB_WORKERS, comb, teeth)
    known["tree"] = run("tree", TREE_WORKERS, walk, TREE)
    early = Switches(parks_after_one_failed_attempt=True)
    known["early-park"] = run("early-park", FAULTY_WORKERS, fib, FIB, early)
    idlehands_demo.pool.Sleepers = DeafSleepers  # type: ignore[misc]
    known["held-up"] = run("held-up", FAULTY_WORKERS, fib, FIB)
    say(json.dumps(known))
    sys.stdin.readline()


if __name__ == "__main__":
    main()
