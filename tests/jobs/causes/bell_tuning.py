"""Recordings of bells are prepared by the main thread and tuned by worker processes.

The fault: the main thread prepares each recording slower than the workers tune it, so that they
wait for it. Mended: it looks up a half of each recording in tables, and prepares the other half.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def recordings(strikes: list[int], mended: bool) -> Iterator[int]:
    """Yield each recording when it is prepared."""
    for loops in strikes:
        compute(loops // 2 if mended else loops)
        yield loops


def tune_bell(loops: int) -> int:
    return compute(loops // 2)


def main() -> None:
    given = settings(bells=420, mean_ms=20.0, mended=False, seed=15)
    number = scaled(given.bells, given.scale)
    strikes = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    with ProcessPoolExecutor(max_workers=2) as pool:
        began = time.monotonic()
        futures = [pool.submit(tune_bell, loops) for loops in recordings(strikes, given.mended)]
        for future in futures:
            future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
