"""Batch after batch, each waiting for the slowest task of the one before; or all at once."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def tag_seal(wait_s: float, loops: int) -> None:
    time.sleep(wait_s)
    compute(loops)


def main() -> None:
    given = settings(
        workers=4, batches=40, batch=9, mean_ms=24.0, loops=2000, at_once=False, seed=20
    )
    batches = scaled(given.batches, given.scale, 2)
    waits = lengths(batches * given.batch, given.mean_ms / 1e3, given.seed, 0.9)
    size = len(waits) if given.at_once else given.batch
    with ThreadPoolExecutor(given.workers, "seal-tags") as pool:
        began = time.monotonic()
        for first in range(0, len(waits), size):
            batch = waits[first : first + size]
            for future in [pool.submit(tag_seal, wait, given.loops) for wait in batch]:
                future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
