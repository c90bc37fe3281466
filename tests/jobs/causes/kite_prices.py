"""A kite shop asks its suppliers for prices, two at a time.

The fault: too few workers for tasks that mostly wait.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def ask_supplier(answers_after_s: float) -> float:
    time.sleep(answers_after_s)
    compute(3000)
    return round(answers_after_s * 100, 2)


def main() -> None:
    given = settings(workers=0, suppliers=300, mean_ms=60.0, mended=False, seed=1)
    waits = lengths(scaled(given.suppliers, given.scale), given.mean_ms / 1e3, given.seed)
    workers = given.workers or (16 if given.mended else 2)
    with ThreadPoolExecutor(max_workers=workers) as pool:
        began = time.monotonic()
        prices = list(pool.map(ask_supplier, waits))
        seconds = seconds_since(began)
    assert len(prices) == len(waits)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
