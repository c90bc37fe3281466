"""Small calls handed to a process pool in chunks."""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def weigh_shell(wait_s: float) -> float:
    time.sleep(wait_s)
    compute(1000)
    return wait_s


def main() -> None:
    given = settings(workers=4, calls=8000, chunk=1, mean_ms=1.0, seed=19)
    waits = lengths(scaled(given.calls, given.scale), given.mean_ms / 1e3, given.seed)
    with ProcessPoolExecutor(given.workers) as pool:
        began = time.monotonic()
        for _ in pool.map(weigh_shell, waits, chunksize=given.chunk):
            pass
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
