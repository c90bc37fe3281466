"""Blocked time as a reading: joins and marked waits exactly, the rest estimated from looks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.blocked import BlockedReading, WaitReading
from ...model.vocabulary import CoreTimeSource, WaitReason
from ..stats.summary import wilson

if TYPE_CHECKING:
    from ...model.worker_time import PoolTime

LEAST_ATTEMPTS = 20
"""Fewer looks at blocked workers split nothing: common practice, no source."""
ONE_CORE = (0.85, 1.1)
"""Cores in use that look like one thread running at a time, the rest waiting for its lock."""
MANY_IN_TASK = 1.5
"""From how many workers in tasks on average that says something."""


def blocked(time: PoolTime) -> BlockedReading | None:
    """Return what blocked time waited for, None where there is none.

    Shares of looks are taken for shares of time, with Wilson's score interval at 95 %. Looks a
    quarter of a second apart at one worker may see the same wait, so where waits are longer the
    interval is too narrow.
    """
    total = time.pool.blocked
    if total <= 0:
        return None
    split = time.in_task
    rest = max(0, total - split.joined_ns - split.declared_ns) / 1e9
    samples = int(split.samples.sum())
    waits = []
    if samples >= LEAST_ATTEMPTS:
        for sort, count in zip(WaitReason, split.samples.tolist(), strict=True):
            if count:
                low, high = wilson(count, samples)
                waits.append(WaitReading(sort, rest * count / samples, rest * low, rest * high))
    return BlockedReading(
        join_s=split.joined_ns / 1e9,
        declared_s=split.declared_ns / 1e9,
        waits=tuple(sorted(waits, key=lambda wait: -wait.seconds)),
        samples=samples,
        unsplit_s=0.0 if waits else rest,
        one_core=_is_one_core(time),
    )


def _is_one_core(time: PoolTime) -> bool:
    window = max(1, time.recorded_ns - time.counted_ns)
    pool = time.pool
    in_task = (pool.working + pool.blocked + pool.run_queue_wait) / window
    low, high = ONE_CORE
    known = time.core_time in (CoreTimeSource.KERNEL, CoreTimeSource.PROCESS)
    return known and in_task >= MANY_IN_TASK and low <= pool.working / window <= high
