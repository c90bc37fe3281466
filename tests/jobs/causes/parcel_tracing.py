"""Parcels are traced by four threads, which keep up with them.

The fault: one task asks a depot that never answers, without a limit of time, and keeps its thread.
The job ends itself when all other parcels are traced.
"""

from __future__ import annotations

import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, percentile, report, scaled, settings
from streams import at_own_pace

depot_answers = threading.Event()


def trace_parcel(wait_s: float, handed_in: float) -> float:
    if wait_s < 0:
        depot_answers.wait()
    time.sleep(abs(wait_s))
    compute(3000)
    return time.monotonic() - handed_in


def main() -> None:
    given = settings(parcels=270, a_second=30.0, mean_ms=40.0, stuck_at=40, seed=27)
    number = scaled(given.parcels, given.scale)
    waits = lengths(number, given.mean_ms / 1e3, given.seed)
    stuck = min(number - 1, scaled(given.stuck_at, given.scale))
    waits[stuck] = -waits[stuck]
    with ThreadPoolExecutor(max_workers=4) as pool:
        traced = [
            pool.submit(trace_parcel, wait_s, time.monotonic())
            for wait_s in at_own_pace(waits, given.a_second, given.seed)
        ]
        traced.pop(stuck)
        taken = [future.result() for future in traced]
        report("p95_s", percentile(taken, 0.95))
        os._exit(0)


if __name__ == "__main__":
    main()
