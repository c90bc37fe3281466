"""Flowers are pressed by four threads, which keep up with them.

The fault: a cache without a bound keeps a picture of each flower, about 250 MB in the end.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, percentile, report, scaled, settings
from streams import at_own_pace

PICTURE_BYTES = 1_400_000
pictures: dict[int, bytearray] = {}


def press_flower(number: int, wait_s: float, handed_in: float) -> float:
    time.sleep(wait_s)
    compute(3000)
    pictures[number] = bytearray(b"p" * PICTURE_BYTES)
    return time.monotonic() - handed_in


def main() -> None:
    given = settings(flowers=180, a_second=20.0, mean_ms=80.0, seed=26)
    number = scaled(given.flowers, given.scale)
    waits = lengths(number, given.mean_ms / 1e3, given.seed)
    with ThreadPoolExecutor(max_workers=4) as pool:
        pressed = [
            pool.submit(press_flower, *flower, time.monotonic())
            for flower in at_own_pace(enumerate(waits), given.a_second, given.seed)
        ]
        taken = [future.result() for future in pressed]
    assert len(pictures) == number
    report("p95_s", percentile(taken, 0.95))


if __name__ == "__main__":
    main()
