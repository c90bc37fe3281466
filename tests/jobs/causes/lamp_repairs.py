"""A lamp workshop: two threads take orders from a queue, and each order waits for its parts.

The fault: too few workers for tasks that mostly wait.
"""

from __future__ import annotations

import queue
import threading
import time

from own_measure import compute, lengths, report, scaled, seconds_since, settings

orders: queue.Queue[float | None] = queue.Queue()


def repair_lamps() -> None:
    while True:
        parts_after_s = orders.get()
        if parts_after_s is None:
            return
        time.sleep(parts_after_s)
        compute(3000)
        orders.task_done()


def main() -> None:
    given = settings(workers=0, lamps=400, mean_ms=45.0, mended=False, seed=2)
    waits = lengths(scaled(given.lamps, given.scale), given.mean_ms / 1e3, given.seed)
    workers = given.workers or (12 if given.mended else 2)
    threads = [threading.Thread(target=repair_lamps) for _ in range(workers)]
    for thread in threads:
        thread.start()
    began = time.monotonic()
    for wait_s in waits:
        orders.put(wait_s)
    orders.join()
    seconds = seconds_since(began)
    for _ in threads:
        orders.put(None)
    for thread in threads:
        thread.join()
    report("seconds", seconds)


if __name__ == "__main__":
    main()
