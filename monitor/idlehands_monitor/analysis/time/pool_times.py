"""The worker time of one pool's window, and of the slices that views draw. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ...ledger import HostCounters, PoolLedger
from ...ledger.queue_length import mean_lengths
from ...model.lengths import NO_LENGTHS, PoolLengths
from ...model.vocabulary import PoolKind
from ...model.worker_time import PoolTime, WorkerSlices, WorkerTime
from ..stats.cache import SECOND_NS
from .history import PoolHistory
from .lengths import pool_lengths
from .window import Window
from .worker_time import pool_time, rates_of, slice_times

MOST_SLICES = 60
SHORTEST_SLICE_NS = 100_000_000
"""A window without a history is divided into equal slices, within these bounds."""


@dataclass(frozen=True, slots=True)
class PoolTimes:
    """The worker time of a pool's window, and of slices for views that draw them.

    queue_lengths: mean queued tasks in each slice, empty for pools that steal. by_worker: the same
    slices worker by worker, and lengths: of the window's intervals; both only of a window without a
    history.
    """

    in_window: PoolTime
    slices: tuple[WorkerTime, ...]
    queue_lengths: tuple[float, ...]
    slice_s: float
    by_worker: WorkerSlices = field(default_factory=WorkerSlices)
    lengths: PoolLengths = NO_LENGTHS

    @property
    def is_thinned(self) -> bool:
        """Whether tasks of the window left no row because the probe had given up detail."""
        return self.in_window.counted_ns + self.in_window.thinned_ns > 0


def pool_times(
    pool: PoolLedger, host: HostCounters, begin_ns: int, end_ns: int, history: PoolHistory | None
) -> PoolTimes:
    """Return the worker time of a window; with a history, mostly from its settled seconds."""
    if history is not None:
        in_window = history.time(pool, host, begin_ns, end_ns)
        second_s = SECOND_NS / 1e9
        return PoolTimes(in_window, history.times, history.queue_lengths, second_s)
    window = Window(pool, begin_ns, end_ns).ordered()
    rates = rates_of(pool, host, window, begin_ns, end_ns)
    in_window = pool_time(pool, host, begin_ns, end_ns, window, rates)
    edges = edges_of(begin_ns, end_ns)
    parts = slice_times(pool, host, edges, window, rates)
    queued = mean_lengths(pool, edges) if pool.kind != PoolKind.STEALING else ()
    is_thinned = in_window.counted_ns + in_window.thinned_ns > 0
    return PoolTimes(
        in_window,
        tuple(part.pool for part in parts),
        queued,
        (end_ns - begin_ns) / len(parts) / 1e9,
        WorkerSlices(np.stack([part.by_category for part in parts])),
        pool_lengths(window, end_ns, is_thinned=is_thinned),
    )


def edges_of(begin_ns: int, end_ns: int) -> list[int]:
    """Return the edges of equal slices of a window."""
    count = max(1, min(MOST_SLICES, (end_ns - begin_ns) // SHORTEST_SLICE_NS))
    return [begin_ns + (end_ns - begin_ns) * part // count for part in range(count + 1)]
