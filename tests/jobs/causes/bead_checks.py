"""Beads are checked one by one, each in a call to a worker process.

The fault: calls of about 50 µs, handed over one at a time. Mended: 250 calls in a chunk.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor

from own_measure import compute, report, scaled, seconds_since, settings


def check_bead(bead: int) -> bool:
    return compute(1750 + bead % 100) % 3 == 0


def main() -> None:
    given = settings(beads=40_000, chunk=0, mended=False, seed=11)
    beads = range(given.seed, given.seed + scaled(given.beads, given.scale, 500))
    chunk = given.chunk or (250 if given.mended else 1)
    with ProcessPoolExecutor(max_workers=2) as pool:
        began = time.monotonic()
        good = sum(pool.map(check_bead, beads, chunksize=chunk))
        seconds = seconds_since(began)
    assert 0 <= good <= len(beads)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
