"""Invented photographs are made brighter in worker processes, four of them in flight.

The fault: each photograph goes there and back as a long list of numbers, which takes longer to
serialise than to brighten. Mended: a photograph has half as many points.
"""

from __future__ import annotations

import random
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

from own_measure import compute, report, scaled, settings, steady_rate
from streams import in_flight

POINTS = 120_000


def brighten(photo: list[float]) -> list[float]:
    compute(30_000)
    return photo


def main() -> None:
    given = settings(photos=500, mended=False, seed=14)
    generator = random.Random(given.seed)
    photo = [generator.random() for _ in range(POINTS // (2 if given.mended else 1))]
    photos = repeat(photo, scaled(given.photos, given.scale, 24))
    with ProcessPoolExecutor(max_workers=2) as pool:
        ends = in_flight(pool, brighten, photos, 4)
    report("tasks_per_s", steady_rate(ends))


if __name__ == "__main__":
    main()
