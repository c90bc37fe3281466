"""A bridge is measured at many points by four threads, and one task then joins the drawings.

The fault: the last task runs alone for most of the time. Mended: a task a drawing.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def measure_point(wait_s: float) -> None:
    time.sleep(wait_s)
    compute(2000)


def join_drawings(drawings: list[float]) -> None:
    for wait_s in drawings:
        time.sleep(wait_s)
        compute(2000)


def main() -> None:
    given = settings(points=130, drawings=110, mean_ms=60.0, mended=False, seed=17)
    points = lengths(scaled(given.points, given.scale), given.mean_ms / 1e3, given.seed)
    drawings = lengths(scaled(given.drawings, given.scale), given.mean_ms / 1e3, given.seed + 1)
    with ThreadPoolExecutor(max_workers=4) as pool:
        began = time.monotonic()
        list(pool.map(measure_point, points))
        if given.mended:
            list(pool.map(join_drawings, [[drawing] for drawing in drawings]))
        else:
            pool.submit(join_drawings, drawings).result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
