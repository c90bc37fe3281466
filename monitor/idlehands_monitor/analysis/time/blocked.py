"""Blocked time as a reading: joins and declared waits exactly, the rest estimated from samples.

Pure. The intervals are Wilson's score intervals (`stats.summary.wilson`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.blocked import BlockedReading, WaitReading
from ...model.vocabulary import CoreTimeSource, WaitReason
from ..stats.summary import wilson

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.arrays import Int64
    from ...model.worker_time import PoolTime

LEAST_SAMPLES = 20
"""Fewer samples of blocked workers are not split: common practice, no source."""
ONE_CORE = (0.85, 1.1)
"""Cores in use where one thread runs at a time and the others wait for its lock."""
MANY_IN_TASK = 1.5
"""The least mean number of workers in tasks for which that means anything."""


def blocked(time: PoolTime, kinds: Sequence[str] = ()) -> BlockedReading | None:
    """Return what blocked time waited for, None without blocked time.

    kinds: the names of the kinds of tasks.

    Shares of samples are taken as shares of time, with Wilson's score interval at 95 %. Two samples
    of one worker, a quarter of a second apart, may find the same wait; so the interval is too
    narrow where waits are longer than that.
    """
    total = time.pool.blocked
    if total <= 0:
        return None
    split = time.in_task
    rest = max(0, total - split.joined_ns - split.declared_ns) / 1e9
    samples = int(split.samples.sum())
    waits = []
    if samples >= LEAST_SAMPLES:
        counts = split.samples.sum(axis=1).tolist()
        for place, (sort, count) in enumerate(zip(WaitReason, counts, strict=True)):
            if count:
                low, high = wilson(count, samples)
                kind = _mostly(split.samples[place], kinds)
                seconds = rest * count / samples
                waits.append(WaitReading(sort, seconds, rest * low, rest * high, kind))
    return BlockedReading(
        join_s=split.joined_ns / 1e9,
        declared_s=split.declared_ns / 1e9,
        waits=tuple(sorted(waits, key=lambda wait: -wait.seconds)),
        samples=samples,
        unsplit_s=0.0 if waits else rest,
        one_core=_is_one_core(time),
    )


def _mostly(samples: Int64, kinds: Sequence[str]) -> str:
    """Return the kind with half of the samples or more, "" without one. samples: by kind, the last
    of tasks whose kind is not known."""
    place = int(samples.argmax())
    is_known = place < min(len(kinds), len(samples) - 1)
    return kinds[place] if is_known and 2 * samples[place] >= samples.sum() else ""


def _is_one_core(time: PoolTime) -> bool:
    window = max(1, time.recorded_ns - time.counted_ns)
    pool = time.pool
    in_task = (pool.working + pool.blocked + pool.run_queue_wait) / window
    low, high = ONE_CORE
    known = time.core_time in (CoreTimeSource.KERNEL, CoreTimeSource.PROCESS)
    return known and in_task >= MANY_IN_TASK and low <= pool.working / window <= high
