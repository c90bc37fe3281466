"""Pictures of moths come in at their own pace, and each wing is measured by computing.

The fault: more processes than cores. They share the cores, so that each picture takes longer.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor

from own_measure import LOOPS_A_MS, compute, percentile, report, scaled, settings
from streams import at_own_pace


def measure_wing(loops: int) -> None:
    compute(loops)


def main() -> None:
    given = settings(workers=0, moths=290, a_second=32.0, computing_ms=40.0, mended=False, seed=3)
    number = scaled(given.moths, given.scale)
    workers = given.workers or (2 if given.mended else 16)
    taken: list[float] = []
    with ProcessPoolExecutor(max_workers=workers) as pool:
        for future in [pool.submit(measure_wing, 1000) for _ in range(4 * workers)]:
            future.result()
        for loops in at_own_pace(
            [round(LOOPS_A_MS * given.computing_ms)] * number, given.a_second, given.seed
        ):
            future, handed_in = pool.submit(measure_wing, loops), time.monotonic()
            future.add_done_callback(lambda _, at=handed_in: taken.append(time.monotonic() - at))
    report("p95_s", percentile(taken, 0.95))


if __name__ == "__main__":
    main()
