"""Harbour lights are asked whether they burn: eight in flight, and a thread for each. No fault."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, settings, steady_rate
from streams import in_flight


def ask_light(wait_s: float) -> None:
    time.sleep(wait_s)
    compute(3000)


def main() -> None:
    given = settings(lights=1400, mean_ms=50.0, seed=31)
    waits = lengths(scaled(given.lights, given.scale, 24), given.mean_ms / 1e3, given.seed)
    with ThreadPoolExecutor(max_workers=8) as pool:
        ends = in_flight(pool, ask_light, waits, 8)
    report("tasks_per_s", steady_rate(ends))


if __name__ == "__main__":
    main()
