"""Apples come on a belt, a `queue.Queue`, and three threads grade them.

The fault: a thread ends at an apple without a weight, by an exception that its loop does not catch,
and after three of those nobody takes what is queued.
"""

from __future__ import annotations

import queue
import threading
import time

from own_measure import compute, lengths, report, scaled, seconds_since, settings
from streams import at_own_pace

belt: queue.Queue[tuple[float, str]] = queue.Queue()


def grade_apples() -> None:
    while True:
        wait_s, weight = belt.get()
        time.sleep(wait_s)
        compute(2000)
        float(weight)
        belt.task_done()


def main() -> None:
    given = settings(apples=360, a_second=40.0, mean_ms=30.0, seed=23)
    number = scaled(given.apples, given.scale, 16)
    weights = ["0.2"] * number
    for share in (0.2, 0.35, 0.5):
        weights[round(share * number)] = "unknown"
    waits = lengths(number, given.mean_ms / 1e3, given.seed)
    for _ in range(3):
        threading.Thread(target=grade_apples, daemon=True).start()
    began = time.monotonic()
    for apple in at_own_pace(zip(waits, weights), given.a_second, given.seed):
        belt.put(apple)
    assert not belt.empty()
    report("seconds", seconds_since(began))


if __name__ == "__main__":
    main()
