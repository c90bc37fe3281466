"""Invented photographs are made brighter in worker processes, four of them in flight.

The fault: each photograph goes there and back as a long list of numbers, which takes longer to
serialise than to brighten. Mended: the numbers travel packed, as bytes.
"""

from __future__ import annotations

import array
import random
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

from own_measure import report, scaled, settings, steady_rate
from streams import in_flight

POINTS = 120_000


def brighten(photo: Sequence[float]) -> Sequence[float]:
    factor = 1 / max(photo)
    lit = photo[:]
    for point in range(0, len(photo), 16):
        lit[point] = photo[point] * factor  # type: ignore[index]
    return lit


def main() -> None:
    given = settings(photos=400, mended=False, seed=14)
    generator = random.Random(given.seed)
    photo: Sequence[float] = [generator.random() for _ in range(POINTS)]
    if given.mended:
        photo = array.array("d", photo)
    photos = repeat(photo, scaled(given.photos, given.scale, 24))
    with ProcessPoolExecutor(max_workers=2) as pool:
        ends = in_flight(pool, brighten, photos, 4)
    report("tasks_per_s", steady_rate(ends))


if __name__ == "__main__":
    main()
