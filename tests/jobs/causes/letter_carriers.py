"""Letters are carried by four threads; a round asks the same threads to sort its letters.

The fault: four rounds begin at once, and each waits for a task that no thread is left to run. The
job ends itself after its time.
"""

from __future__ import annotations

import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, settings

pool = ThreadPoolExecutor(max_workers=4, thread_name_prefix="carriers")


def sort_letters(wait_s: float) -> None:
    time.sleep(wait_s)
    compute(2000)


def walk_round(wait_s: float) -> None:
    time.sleep(wait_s)
    pool.submit(sort_letters, wait_s).result()


def give_up(seconds: float) -> None:
    report("seconds", seconds)
    os._exit(0)


def main() -> None:
    given = settings(letters=200, mean_ms=40.0, seconds=9.0, seed=20)
    seconds = given.seconds * given.scale
    evening = threading.Timer(seconds, give_up, [seconds])
    evening.daemon = True
    evening.start()
    waits = lengths(scaled(given.letters, given.scale, 8), given.mean_ms / 1e3, given.seed)
    list(pool.map(sort_letters, waits))
    for round_ in [pool.submit(walk_round, wait_s) for wait_s in waits[:8]]:
        round_.result()


if __name__ == "__main__":
    main()
