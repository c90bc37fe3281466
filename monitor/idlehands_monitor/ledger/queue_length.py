"""How many tasks were queued in a pool over time: from the times when they came and went.

Pure. A task is queued from its spawn until it begins or is cancelled. The mean over a slice of time
is the integral of that number over the slice, divided by the slice's length.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..model.vocabulary import DetailStep
from .detail import step_at
from .rows import Recent, still_open

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..model.arrays import Float, Int64
    from .pool import PoolLedger


def mean_lengths(pool: PoolLedger, edges_ns: Sequence[int]) -> tuple[float, ...]:
    """Return the mean number of queued tasks between each two edges, which are ascending.

    NaN in a slice in which the record was thinned, and in all slices if rows of spawns were lost.
    """
    begin = edges_ns[0]
    if pool.spawns_lost_ns >= begin:
        return (math.nan,) * (len(edges_ns) - 1)
    edges = np.array(edges_ns, dtype=np.int64)
    _workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    tasks = Recent(pool.tasks, begin)["started_ns"]
    began = np.concatenate([tasks, np.array([i.began_ns for i in still], dtype=np.int64)])
    came = _sum_until(Recent(pool.spawns, begin)["spawned_ns"], edges)
    went = _sum_until(began, edges)
    area = queued_at(pool, begin) * (edges - begin).astype(np.float64) + came - went
    means = np.maximum(0.0, np.diff(area) / np.diff(edges))
    known = [
        max(step_at(pool, low), step_at(pool, high)) < DetailStep.THINNED
        for low, high in zip(edges_ns, edges_ns[1:], strict=False)
    ]
    return tuple(np.where(known, means, np.nan).tolist())


def _sum_until(timestamps: Int64, edges: Int64) -> Float:
    """Return for each edge the summed time since each timestamp from the first edge up to it."""
    timestamps = np.sort(timestamps[(timestamps >= edges[0]) & (timestamps < edges[-1])]) - edges[0]
    before = np.searchsorted(timestamps, edges - edges[0], side="left")
    sums = np.concatenate([[0.0], np.cumsum(timestamps, dtype=np.float64)])
    return np.asarray(before * (edges - edges[0]).astype(np.float64) - sums[before])


def queued_at(pool: PoolLedger, timestamp_ns: int) -> int:
    """Return how many tasks were queued at a time: spawned before it, not started before it.

    Counted back from the running totals, so it is exact however few old rows the tables hold.
    """
    spawned = Recent(pool.spawns, timestamp_ns)["spawned_ns"]
    spawned_before = pool.written("spawns") - int(np.count_nonzero(spawned >= timestamp_ns))
    _workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    started = Recent(pool.tasks, timestamp_ns)["started_ns"]
    started_since = int(np.count_nonzero(started >= timestamp_ns))
    started_since += sum(interval.began_ns >= timestamp_ns for interval in still)
    started_before = pool.written("tasks") + pool.unreported + len(still) - started_since
    return max(0, spawned_before - started_before)
