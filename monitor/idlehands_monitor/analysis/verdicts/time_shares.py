"""Shares of a pool's worker time that causes account for. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.vocabulary import WaitReason

if TYPE_CHECKING:
    from collections.abc import Callable

    from ...model.reading import PoolReading


def part_of(name: str) -> Callable[[PoolReading], float]:
    """Return a function that gives a category's share of the worker time, 0 to 1."""
    return lambda pool: getattr(pool.time, name) / max(1, pool.time.total)


def in_tasks(pool: PoolReading) -> float:
    """Return the share of the worker time in tasks, 0 to 1."""
    time = pool.time
    return (time.working + time.blocked + time.run_queue_wait) / max(1, time.total)


def idle(pool: PoolReading) -> float:
    """Return the share of the worker time without a task, 0 to 1."""
    return pool.time.idle / max(1, pool.time.total)


def waited(sort: WaitReason) -> Callable[[PoolReading], float]:
    """Return a function that gives the share of the worker time blocked for a reason, 0 to 1."""

    def share(pool: PoolReading) -> float:
        if pool.blocked is None:
            return 0.0
        return pool.blocked.seconds(sort) * 1e9 / max(1, pool.time.total)

    return share


def own_waits(pool: PoolReading) -> float:
    """Return the share of the worker time blocked for no lock, 0 to 1."""
    lock = waited(WaitReason.INTERPRETER_LOCK)(pool) + waited(WaitReason.LOCK)(pool)
    return part_of("blocked")(pool) - lock


def parked(pool: PoolReading) -> float:
    """Return the share of the worker time parked beside queued tasks or waking, 0 to 1."""
    return (pool.time.starved + pool.time.waking) / max(1, pool.time.total)
