"""Pure-Python computing, in threads that share an interpreter lock or in processes that do not.

`--wait-ms` adds a wait to each task, so that a task needs the lock for a part of its time.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def tide_table(loops: int, wait_s: float) -> None:
    if wait_s:
        time.sleep(wait_s)
    compute(loops)


def main() -> None:
    given = settings(workers=2, tasks=160, mean_ms=25.0, wait_ms=0.0, processes=False, seed=12)
    number = scaled(given.tasks, given.scale)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    waits = lengths(number, given.wait_ms / 1e3, given.seed + 1)
    executor = ProcessPoolExecutor if given.processes else ThreadPoolExecutor
    with executor(given.workers) as pool:
        began = time.monotonic()
        for future in [pool.submit(tide_table, *task) for task in zip(loops, waits)]:
            future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
