"""Labels for cheese are drawn by two worker processes on two cores, six in flight. No fault."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, settings, steady_rate
from streams import in_flight


def draw_label(loops: int) -> int:
    return compute(loops)


def main() -> None:
    given = settings(labels=440, mean_ms=40.0, seed=36)
    number = scaled(given.labels, given.scale, 24)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    with ProcessPoolExecutor(max_workers=2) as pool:
        ends = in_flight(pool, draw_label, loops, 6)
    report("tasks_per_s", steady_rate(ends))


if __name__ == "__main__":
    main()
