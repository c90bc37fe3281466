"""A batch of two kinds of task; one kind can be made faster, or its waiting shorter."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def chart_depths(wait_s: float, loops: int) -> None:
    time.sleep(wait_s)
    compute(loops)


def count_birds(wait_s: float, loops: int) -> None:
    time.sleep(wait_s)
    compute(loops)


def main() -> None:
    given = settings(
        workers=4, tasks=260, chart_ms=26.0, chart_computing=1.2, birds_ms=18.0,
        birds_computing=0.2, chart_factor=1.0, chart_wait_factor=1.0, seed=16,
    )  # fmt: skip
    number = scaled(given.tasks, given.scale)
    factor, loops = given.chart_factor, LOOPS_A_MS * given.chart_computing
    depths = [
        (wait * factor * given.chart_wait_factor, round(loops * factor))
        for wait in lengths(number, given.chart_ms / 1e3, given.seed)
    ]
    birds = [
        (wait, round(LOOPS_A_MS * given.birds_computing))
        for wait in lengths(number, given.birds_ms / 1e3, given.seed + 1)
    ]
    with ThreadPoolExecutor(given.workers, "estuary") as pool:
        began = time.monotonic()
        futures = []
        for depth, bird in zip(depths, birds):
            futures.append(pool.submit(chart_depths, *depth))
            futures.append(pool.submit(count_birds, *bird))
        for future in futures:
            future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
