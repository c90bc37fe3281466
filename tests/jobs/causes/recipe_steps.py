"""The steps of a recipe, each a task of a pool of four threads.

The fault: each step needs the one before it, so that one worker at a time has something to do.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def follow_step(dough: int, wait_s: float) -> int:
    time.sleep(wait_s)
    return dough + compute(3000) % 5


def main() -> None:
    given = settings(steps=180, mean_ms=50.0, seed=18)
    waits = lengths(scaled(given.steps, given.scale), given.mean_ms / 1e3, given.seed)
    dough = 0
    with ThreadPoolExecutor(max_workers=4) as pool:
        began = time.monotonic()
        for wait_s in waits:
            dough = pool.submit(follow_step, dough, wait_s).result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
