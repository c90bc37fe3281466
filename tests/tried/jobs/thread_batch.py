"""A batch in a thread pool: each task waits, and computes a little."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def fetch_soundings(wait_s: float, loops: int) -> None:
    time.sleep(wait_s)
    compute(loops)


def main() -> None:
    given = settings(workers=4, tasks=640, mean_ms=20.0, loops=4000, seed=13)
    waits = lengths(scaled(given.tasks, given.scale), given.mean_ms / 1e3, given.seed)
    with ThreadPoolExecutor(given.workers, "soundings") as pool:
        began = time.monotonic()
        for future in [pool.submit(fetch_soundings, wait, given.loops) for wait in waits]:
            future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
