"""A stream with so many tasks in flight: the next one is handed in when one ends."""

from __future__ import annotations

import time
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait

from own_measure import compute, lengths, report, scaled, settings, steady_rate


def grade_sand(wait_s: float, loops: int) -> float:
    time.sleep(wait_s)
    compute(loops)
    return time.monotonic()


def main() -> None:
    given = settings(workers=4, tasks=900, in_flight=32, mean_ms=15.0, loops=3000, seed=14)
    number = scaled(given.tasks, given.scale, 2 * given.in_flight)
    waits = iter(lengths(number, given.mean_ms / 1e3, given.seed))
    ends: list[float] = []
    with ThreadPoolExecutor(given.workers, "sand") as pool:
        flying: set[Future[float]] = set()
        for wait_s in waits:
            flying.add(pool.submit(grade_sand, wait_s, given.loops))
            if len(flying) == given.in_flight:
                done, flying = wait(flying, return_when=FIRST_COMPLETED)
                ends += [future.result() for future in done]
        ends += [future.result() for future in flying]
    report("tasks_per_s", steady_rate(ends))


if __name__ == "__main__":
    main()
