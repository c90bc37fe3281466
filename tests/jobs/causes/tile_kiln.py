"""Tiles are fired kiln by kiln: the next kiln is loaded when the slowest tile of the last is done.

The fault: each batch waits for its slowest task. Mended: all tiles are handed in at once.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings

TILES_A_KILN = 12
SLOWER = 6.0


def fire_tile(wait_s: float) -> None:
    time.sleep(wait_s)
    compute(2000)


def main() -> None:
    given = settings(kilns=26, mean_ms=50.0, mended=False, seed=9)
    number = scaled(given.kilns, given.scale, 2)
    tiles = lengths(number * TILES_A_KILN, given.mean_ms / 1e3, given.seed)
    for kiln in range(number):
        # One tile a kiln is thick.
        tiles[kiln * TILES_A_KILN + (kiln * 5) % TILES_A_KILN] = given.mean_ms / 1e3 * SLOWER
    with ThreadPoolExecutor(max_workers=6) as pool:
        began = time.monotonic()
        if given.mended:
            list(pool.map(fire_tile, tiles))
        else:
            for first in range(0, len(tiles), TILES_A_KILN):
                list(pool.map(fire_tile, tiles[first : first + TILES_A_KILN]))
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
