"""Pearl divers, six threads: all dive at dawn, and then two at a time are told where to dive.

The fault: the next task is handed in when one ends, and only two are in flight. Mended: four are.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, settings, steady_rate
from streams import in_flight

DAWN_S = 0.05


def dive(wait_s: float) -> None:
    time.sleep(wait_s)
    compute(3000)


def main() -> None:
    given = settings(dives=360, mean_ms=50.0, mended=False, seed=29)
    waits = lengths(scaled(given.dives, given.scale, 24), given.mean_ms / 1e3, given.seed)
    with ThreadPoolExecutor(max_workers=6) as pool:
        list(pool.map(dive, [DAWN_S] * 12))
        ends = in_flight(pool, dive, waits, 4 if given.mended else 2)
    report("tasks_per_s", steady_rate(ends))


if __name__ == "__main__":
    main()
