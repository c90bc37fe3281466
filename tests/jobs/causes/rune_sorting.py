"""Rune stones are sorted by their wear, in a pool of threads made for `imap_unordered`.

The fault: pure Python in threads, of which one at a time holds the interpreter lock.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.pool
import random
import time

from own_measure import report, scaled, seconds_since, settings


def sort_stones(seed: int) -> int:
    generator = random.Random(seed)
    stones = [generator.random() for _ in range(9000)]
    in_order: list[float] = []
    for wear in stones:
        place = len(in_order)
        while place and in_order[place - 1] > wear and len(in_order) - place < 12:
            place -= 1
        in_order.insert(place, wear)
    return sum(int(wear * 8) for wear in in_order)


def main() -> None:
    given = settings(boxes=700, mended=False, seed=5)
    boxes = range(given.seed * 10_000, given.seed * 10_000 + scaled(given.boxes, given.scale))
    make = multiprocessing.Pool if given.mended else multiprocessing.pool.ThreadPool
    with make(4) as pool:
        began = time.monotonic()
        worn = sum(pool.imap_unordered(sort_stones, boxes))
        seconds = seconds_since(began)
    assert worn > 0
    report("seconds", seconds)


if __name__ == "__main__":
    main()
