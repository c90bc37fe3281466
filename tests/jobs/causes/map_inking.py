"""Maps are inked from the smallest to the largest, in chunks of many maps.

The fault: the chunk with the largest maps is begun last and runs alone. Mended: chunks of one map.
"""

from __future__ import annotations

import multiprocessing
import random
import time

from own_measure import compute, report, scaled, seconds_since, settings

STEEPNESS = 9
"""How fast the maps grow: the largest takes many times as long as the one in the middle."""


def ink_map(wait_s: float) -> float:
    time.sleep(wait_s)
    compute(2000)
    return wait_s


def main() -> None:
    given = settings(maps=240, chunk=10, pieces=0, work_s=20.0, mended=False, seed=13)
    number = scaled(given.maps, given.scale, 3 * given.chunk)
    generator = random.Random(given.seed)
    sizes = sorted(
        ((place + 1) / number) ** STEEPNESS * generator.uniform(0.8, 1.2) for place in range(number)
    )
    work_s = given.work_s * given.scale
    waits = [size / sum(sizes) * work_s for size in sizes]
    pieces = given.pieces or (given.chunk if given.mended else 1)
    with multiprocessing.Pool(4) as pool:
        began = time.monotonic()
        inked = pool.map(ink_map, waits, chunksize=max(1, given.chunk // pieces))
        seconds = seconds_since(began)
    assert inked == waits
    report("seconds", seconds)


if __name__ == "__main__":
    main()
