"""An open stream: tasks come at their own pace, with exponential gaps, whatever has ended."""

from __future__ import annotations

import random
import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, percentile, report, scaled, settings


def answer_buoy(handed_in: float, wait_s: float, loops: int) -> float:
    time.sleep(wait_s)
    compute(loops)
    return time.monotonic() - handed_in


def main() -> None:
    given = settings(workers=4, tasks=700, a_second=135.0, mean_ms=19.0, loops=3000, seed=15)
    number = scaled(given.tasks, given.scale)
    waits = lengths(number, given.mean_ms / 1e3, given.seed)
    generator = random.Random(given.seed + 1)
    futures = []
    with ThreadPoolExecutor(given.workers, "buoys") as pool:
        due = time.monotonic()
        for wait_s in waits:
            # A fixed plan, so that a late hand-in does not move those after it.
            due += generator.expovariate(given.a_second)
            time.sleep(max(0.0, due - time.monotonic()))
            futures.append(pool.submit(answer_buoy, time.monotonic(), wait_s, given.loops))
        taken = [future.result() for future in futures]
    report("p95_s", percentile(taken, 0.95))


if __name__ == "__main__":
    main()
