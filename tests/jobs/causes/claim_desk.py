"""Claims come in at their own pace, and two worker processes on two cores settle them.

The fault: claims come faster than both cores can settle them, so that the queue only grows.
"""

from __future__ import annotations

from concurrent.futures import Future, ProcessPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, settings
from streams import at_own_pace


def settle_claim(loops: int) -> int:
    return compute(loops)


def main() -> None:
    given = settings(claims=1100, a_second=120.0, mean_ms=28.0, seed=25)
    number = scaled(given.claims, given.scale, 16)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    claims: list[Future[int]] = []
    pool = ProcessPoolExecutor(max_workers=2)
    for claim in at_own_pace(loops, given.a_second, given.seed):
        claims.append(pool.submit(settle_claim, claim))
    settled = sum(future.done() for future in claims)
    pool.shutdown(cancel_futures=True)
    report("tasks_per_s", settled / (number / given.a_second))


if __name__ == "__main__":
    main()
