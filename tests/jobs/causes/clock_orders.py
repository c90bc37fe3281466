"""Orders for clocks come into a queue, and six threads around it keep up with them. No fault."""

from __future__ import annotations

import queue
import threading
import time

from own_measure import compute, lengths, percentile, report, scaled, settings
from streams import at_own_pace


def confirm_orders(orders: queue.Queue[tuple[float, float] | None], taken: list[float]) -> None:
    while True:
        order = orders.get()
        if order is None:
            return
        wait_s, handed_in = order
        time.sleep(wait_s)
        compute(3000)
        taken.append(time.monotonic() - handed_in)
        orders.task_done()


def main() -> None:
    given = settings(orders=540, a_second=60.0, mean_ms=40.0, seed=34)
    waits = lengths(scaled(given.orders, given.scale), given.mean_ms / 1e3, given.seed)
    orders: queue.Queue[tuple[float, float] | None] = queue.Queue()
    taken: list[float] = []
    clerks = [threading.Thread(target=confirm_orders, args=(orders, taken)) for _ in range(6)]
    for clerk in clerks:
        clerk.start()
    for wait_s in at_own_pace(waits, given.a_second, given.seed):
        orders.put((wait_s, time.monotonic()))
    for _ in clerks:
        orders.put(None)
    for clerk in clerks:
        clerk.join()
    report("p95_s", percentile(taken, 0.95))


if __name__ == "__main__":
    main()
