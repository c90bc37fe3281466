"""Patterns for a loom are computed by as many worker processes as there are cores. No fault."""

from __future__ import annotations

import os
import time
from concurrent.futures import ProcessPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def weave_pattern(loops: int) -> int:
    return compute(loops)


def main() -> None:
    given = settings(patterns=320, mean_ms=55.0, seed=32)
    number = scaled(given.patterns, given.scale)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    with ProcessPoolExecutor(max_workers=len(os.sched_getaffinity(0))) as pool:
        began = time.monotonic()
        woven = list(pool.map(weave_pattern, loops))
        seconds = seconds_since(began)
    assert len(woven) == number
    report("seconds", seconds)


if __name__ == "__main__":
    main()
