"""Tasks that hold a lock for a part of their time: one lock, one of several, or none."""

from __future__ import annotations

import contextlib
import threading
import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def log_catch(
    lock: contextlib.AbstractContextManager[object], before_s: float, held_s: float, loops: int
) -> None:
    time.sleep(before_s)
    compute(loops)
    with lock:
        time.sleep(held_s)


def main() -> None:
    given = settings(
        workers=8, tasks=600, before_ms=18.0, held_ms=6.0, locks=1, loops=1500, seed=17
    )
    number = scaled(given.tasks, given.scale)
    before = lengths(number, given.before_ms / 1e3, given.seed)
    held = lengths(number, given.held_ms / 1e3, given.seed + 1)
    locks = [threading.Lock() for _ in range(given.locks)] or [contextlib.nullcontext()]
    with ThreadPoolExecutor(given.workers, "catch-log") as pool:
        began = time.monotonic()
        futures = [
            pool.submit(log_catch, locks[place % len(locks)], *waits, given.loops)
            for place, waits in enumerate(zip(before, held))
        ]
        for future in futures:
            future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
