"""Snail shells are measured with joblib, which chooses its batches itself. No fault."""

from __future__ import annotations

import time

from joblib import Parallel, delayed
from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def measure_shell(loops: int) -> int:
    return compute(loops)


def main() -> None:
    given = settings(shells=900, mean_ms=20.0, seed=35)
    number = scaled(given.shells, given.scale)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    with Parallel(n_jobs=2) as parallel:
        parallel(delayed(measure_shell)(1000) for _ in range(8))
        began = time.monotonic()
        measured = parallel(delayed(measure_shell)(shell) for shell in loops)
        seconds = seconds_since(began)
    assert len(measured) == number
    report("seconds", seconds)


if __name__ == "__main__":
    main()
