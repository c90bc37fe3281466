"""Inks are mixed by a `multiprocessing.Pool` of two on two cores, eight to a chunk. No fault."""

from __future__ import annotations

import multiprocessing
import time

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def mix_ink(loops: int) -> int:
    return compute(loops)


def main() -> None:
    given = settings(inks=2200, mean_ms=8.0, seed=38)
    number = scaled(given.inks, given.scale)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    with multiprocessing.Pool(2) as pool:
        began = time.monotonic()
        mixed = sum(1 for _ in pool.imap_unordered(mix_ink, loops, chunksize=8))
        seconds = seconds_since(began)
    assert mixed == number
    report("seconds", seconds)


if __name__ == "__main__":
    main()
