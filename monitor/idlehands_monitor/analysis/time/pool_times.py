"""The worker time of one pool's window, and of the slices that views draw. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from ...ledger import HostCounters, PoolLedger
from ...ledger.queue_length import mean_lengths
from ...model.vocabulary import PoolKind
from ...model.worker_time import PoolTime, WorkerTime
from ..stats.cache import SECOND_NS
from .history import PoolHistory
from .window import Window
from .worker_time import pool_time, rates_of, slice_times

MOST_SLICES = 60
SHORTEST_SLICE_NS = 100_000_000
"""A window without a history is divided into equal slices, within these bounds."""


@dataclass(frozen=True, slots=True)
class PoolTimes:
    """The worker time of a pool's window, and of slices for views that draw them.

    queue_lengths: mean queued tasks in each slice, empty for pools that steal.
    """

    in_window: PoolTime
    slices: tuple[WorkerTime, ...]
    queue_lengths: tuple[float, ...]
    slice_s: float

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
    slices = tuple(part.pool for part in slice_times(pool, host, edges, window, rates))
    lengths = mean_lengths(pool, edges) if pool.kind != PoolKind.STEALING else ()
    return PoolTimes(in_window, slices, lengths, (end_ns - begin_ns) / len(slices) / 1e9)


def edges_of(begin_ns: int, end_ns: int) -> list[int]:
    """Return the edges of equal slices of a window."""
    count = max(1, min(MOST_SLICES, (end_ns - begin_ns) // SHORTEST_SLICE_NS))
    return [begin_ns + (end_ns - begin_ns) * part // count for part in range(count + 1)]
