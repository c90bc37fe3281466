"""How the jobs here hand tasks in over time: at the tasks' own pace, or one when another ends."""

from __future__ import annotations

import random
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from typing import Any, Callable, TypeVar

Item = TypeVar("Item")


def at_own_pace(items: Iterable[Item], a_second: float, seed: int) -> Iterator[Item]:
    """Yield each item when it is due, with exponential times between them.

    The plan is fixed, so that a late hand-in does not move those after it.
    """
    generator = random.Random(seed)
    due = time.monotonic()
    for item in items:
        due += generator.expovariate(a_second)
        time.sleep(max(0.0, due - time.monotonic()))
        yield item


def in_flight(
    pool: Executor, call: Callable[[Item], Any], items: Iterable[Item], most: int
) -> list[float]:
    """Run the calls with at most so many handed in at a time; return when each ended."""
    ends: list[float] = []
    flying: set[Future[Any]] = set()
    for item in items:
        flying.add(pool.submit(call, item))
        if len(flying) == most:
            done, flying = wait(flying, return_when=FIRST_COMPLETED)
            ends += [time.monotonic()] * len(done)
    while flying:
        done, flying = wait(flying, return_when=FIRST_COMPLETED)
        ends += [time.monotonic()] * len(done)
    return ends
