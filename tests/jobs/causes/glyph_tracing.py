"""Glyphs of an invented script are traced, in four threads.

The fault: pure Python in threads, of which one at a time holds the interpreter lock.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed

from own_measure import LOOPS_A_MS, lengths, report, scaled, seconds_since, settings


def trace_glyph(strokes: int) -> int:
    ink = 0
    for stroke in range(strokes):
        ink += stroke & 7
    return ink


def main() -> None:
    given = settings(glyphs=160, mean_ms=55.0, mended=False, seed=4)
    number = scaled(given.glyphs, given.scale)
    strokes = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    executor = ProcessPoolExecutor if given.mended else ThreadPoolExecutor
    with executor(max_workers=4) as pool:
        began = time.monotonic()
        futures = [pool.submit(trace_glyph, number) for number in strokes]
        ink = sum(future.result() for future in as_completed(futures))
        seconds = seconds_since(began)
    assert ink > 0
    report("seconds", seconds)


if __name__ == "__main__":
    main()
