"""Two thread pools, one with much more to do than the other; or one pool with all the workers."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def gauge_river(wait_s: float, loops: int) -> None:
    time.sleep(wait_s)
    compute(loops)


def gauge_harbour(wait_s: float, loops: int) -> None:
    time.sleep(wait_s)
    compute(loops)


def main() -> None:
    given = settings(
        river_workers=4, harbour_workers=4, river=800, harbour=80, mean_ms=20.0, loops=2000,
        one_pool=False, seed=18,
    )  # fmt: skip
    rivers = lengths(scaled(given.river, given.scale), given.mean_ms / 1e3, given.seed)
    harbours = lengths(scaled(given.harbour, given.scale), given.mean_ms / 1e3, given.seed + 1)
    with ExitStack() as stack:
        if given.one_pool:
            workers = given.river_workers + given.harbour_workers
            pools = [stack.enter_context(ThreadPoolExecutor(workers, "gauges"))] * 2
        else:
            pools = [
                stack.enter_context(ThreadPoolExecutor(given.river_workers, "rivers")),
                stack.enter_context(ThreadPoolExecutor(given.harbour_workers, "harbours")),
            ]
        began = time.monotonic()
        futures = [pools[1].submit(gauge_harbour, wait, given.loops) for wait in harbours]
        futures += [pools[0].submit(gauge_river, wait, given.loops) for wait in rivers]
        for future in futures:
            future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
