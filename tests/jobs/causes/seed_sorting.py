"""Seeds are sorted by two worker processes.

The fault: a third of the tasks raise, since their bag has no label.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor, as_completed

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


class NoLabel(Exception):
    """A bag of seeds without a label."""


def sort_seeds(bag: int, loops: int) -> int:
    compute(loops)
    if bag % 3 == 1:
        raise NoLabel(f"bag {bag}")
    return bag


def main() -> None:
    given = settings(bags=600, mean_ms=30.0, seed=24)
    number = scaled(given.bags, given.scale)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    with ProcessPoolExecutor(max_workers=2) as pool:
        began = time.monotonic()
        sorted_ = [pool.submit(sort_seeds, bag, work) for bag, work in enumerate(loops)]
        failed = sum(future.exception() is not None for future in as_completed(sorted_))
        seconds = seconds_since(began)
    assert failed == len(range(1, number, 3))
    report("seconds", seconds)


if __name__ == "__main__":
    main()
