"""Tickets of a ferry are checked as people come, by eight threads that are half busy. No fault."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, percentile, report, scaled, settings
from streams import at_own_pace


def check_ticket(wait_s: float, handed_in: float) -> float:
    time.sleep(wait_s)
    compute(3000)
    return time.monotonic() - handed_in


def main() -> None:
    given = settings(tickets=720, a_second=80.0, mean_ms=50.0, seed=33)
    waits = lengths(scaled(given.tickets, given.scale), given.mean_ms / 1e3, given.seed)
    with ThreadPoolExecutor(max_workers=8) as pool:
        checked = [
            pool.submit(check_ticket, wait_s, time.monotonic())
            for wait_s in at_own_pace(waits, given.a_second, given.seed)
        ]
        taken = [future.result() for future in checked]
    report("p95_s", percentile(taken, 0.95))


if __name__ == "__main__":
    main()
