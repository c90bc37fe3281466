"""A work-stealing pool divides trees of invented readings; a leaf waits for each of its readings.

A leaf waits once for all its readings together, so the waiting is the same in leaves of any size.
Several trees come one after the other: one task hands each in when the tree before has ended.
"""

from __future__ import annotations

import time

from own_measure import compute, lengths, report, scaled, seconds_since, settings

from idlehands_demo.pool import WorkStealingPool
from idlehands_demo.switches import Switches

LOOPS_A_READING = 100


def survey(pool: WorkStealingPool, readings: list[float], leaf: int) -> None:
    if len(readings) <= leaf:
        compute(LOOPS_A_READING * len(readings))
        time.sleep(sum(readings))
        return
    middle = len(readings) // 2
    halves = (readings[:middle], readings[middle:])
    kinds = ("survey" if len(half) <= leaf else "divide" for half in halves)
    parts = [pool.spawn(survey, pool, half, leaf, kind=kind) for half, kind in zip(halves, kinds)]
    for part in parts:
        part.join()


def season(pool: WorkStealingPool, trees: list[list[float]], leaf: int) -> None:
    for tree in trees:
        pool.spawn(survey, pool, tree, leaf, kind="divide").join()


def main() -> None:
    given = settings(
        workers=4, readings=4096, leaf=4, trees=1, mean_ms=3.6, parks_early=False, seed=11
    )
    readings = scaled(given.readings, given.scale, 4 * given.leaf)
    trees = [
        lengths(readings, given.mean_ms / 1e3, given.seed + tree) for tree in range(given.trees)
    ]
    switches = Switches(parks_after_one_failed_attempt=given.parks_early)
    with WorkStealingPool(given.workers, "reef-survey", given.seed, switches) as pool:
        began = time.monotonic()
        pool.submit(season, pool, trees, given.leaf).join()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
