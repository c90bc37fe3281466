"""Fixtures of the demo's tests: pools that are shut down again, and waiting on a condition."""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Iterator
from typing import Any, Callable

import pytest

from idlehands_demo.pool import WorkStealingPool

_numbers = itertools.count()


@pytest.fixture
def make_pool() -> Iterator[Callable[..., WorkStealingPool]]:
    pools: list[WorkStealingPool] = []

    def make(workers: int = 8, seed: int | None = 1, **others: Any) -> WorkStealingPool:
        pool = WorkStealingPool(workers, f"test-{next(_numbers)}", seed, **others)
        pools.append(pool)
        return pool

    yield make
    for pool in pools:
        pool.shutdown(wait=True, cancel=True)


@pytest.fixture
def wait_until() -> Callable[..., None]:
    def wait(condition: Callable[[], bool], seconds: float = 20.0) -> None:
        deadline = time.monotonic() + seconds
        while not condition():
            assert time.monotonic() < deadline, "the condition did not come true in time"
            time.sleep(0.001)

    return wait


@pytest.fixture
def fine_switching() -> Iterator[None]:
    """Switch threads as often as the interpreter can, to provoke rare interleavings."""
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(usual)
