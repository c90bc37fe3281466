"""A wheat mill and an oat mill, each with a worker process of its own; nearly all grain is wheat.

The fault: the oat mill's worker is idle while wheat is queued. Mended: one pool of both workers.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def grind_wheat(loops: int) -> None:
    compute(loops)


def grind_oats(loops: int) -> None:
    compute(loops)


def sacks(number: int, mean_ms: float, seed: int) -> list[int]:
    return [round(LOOPS_A_MS * ms) for ms in lengths(number, mean_ms, seed)]


def main() -> None:
    given = settings(wheat=220, oats=14, mean_ms=40.0, mended=False, seed=16)
    wheat = sacks(scaled(given.wheat, given.scale), given.mean_ms, given.seed)
    oats = sacks(scaled(given.oats, given.scale), given.mean_ms, given.seed + 1)
    if given.mended:
        wheat_mill = oat_mill = ProcessPoolExecutor(max_workers=2)
    else:
        wheat_mill = ProcessPoolExecutor(max_workers=1)
        oat_mill = ProcessPoolExecutor(max_workers=1)
    began = time.monotonic()
    ground = [oat_mill.submit(grind_oats, sack) for sack in oats]
    ground += [wheat_mill.submit(grind_wheat, sack) for sack in wheat]
    for future in ground:
        future.result()
    seconds = seconds_since(began)
    wheat_mill.shutdown()
    oat_mill.shutdown()
    report("seconds", seconds)


if __name__ == "__main__":
    main()
