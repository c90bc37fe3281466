"""Stranded time: workers of one pool without work while tasks were queued in another.

Pure. At time t a pool has idle(t) parked workers with no task queued for them, and excess(t) queued
tasks beyond its own parked workers; one of the two is zero. free(t) is the number of usable cores
that the job's workers do not use, by the kernel's counters: without a free core an idle worker
could not have run a task. Over all pools of a job, stranded = ∫ min(Σ idle, Σ excess, free) dt:
idle time that one shared pool would not have had. It is divided among pairs of pools, (idle pool,
loaded pool), in proportion to both.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from ...ledger.detail import parts
from ...ledger.lifetimes import slots
from ...model.arrays import Float, Int64
from ...model.vocabulary import DetailStep
from ..stats.cache import SECOND_NS
from ..stats.order_statistics import distinct
from .history import MOST_SECONDS, SETTLED_NS
from .parked import levels
from .window import Window
from .worker_time import recorded_stretches

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ...ledger import Ledger, PoolLedger, ProcessSample

Numbers = TypeVar("Numbers", Int64, Float)
STEP_NS = 250_000_000
"""The steps of free cores: as long as between two readings of the counters."""

Pairs = dict[tuple[int, int], float]
"""Nanoseconds by (number of the idle pool, number of the loaded pool)."""


def stranded(
    pools: Sequence[PoolLedger], begin_ns: int, end_ns: int, ledger: Ledger | None = None
) -> Pairs:
    """Return the stranded time between pools in a window.

    `ledger` is that of the job; its host counters give the free cores. Without a ledger, or without
    counters, free cores are no bound. Pools are left out where part of the window was lost, thinned
    or only counted: the number of their queued tasks over time is not known.
    """
    recorded = [pool for pool in pools if _is_recorded(pool, begin_ns, end_ns)]
    if len(recorded) < 2 or begin_ns >= end_ns:
        return {}
    numbers = [pool.number for pool in recorded]
    steps = [_steps(pool, begin_ns, end_ns) for pool in recorded]
    free_edges, free = free_cores(ledger, begin_ns, end_ns)
    edges = distinct(np.concatenate([free_edges, *(edge for edge, _, _ in steps)]))
    widths = np.diff(edges)
    idle = np.stack([_at(edge, values, edges[:-1]) for edge, values, _ in steps])
    excess = np.stack([_at(edge, values, edges[:-1]) for edge, _, values in steps])
    all_idle, all_excess = idle.sum(axis=0), excess.sum(axis=0)
    both = np.minimum(np.minimum(all_idle, all_excess), _at(free_edges, free, edges[:-1])) * widths
    per_pair = both / np.maximum(all_idle * all_excess, 1)
    table = (idle * per_pair) @ excess.T
    return {
        (numbers[a], numbers[b]): float(table[a, b]) for a, b in np.argwhere(table > 0).tolist()
    }


def _is_recorded(pool: PoolLedger, begin_ns: int, end_ns: int) -> bool:
    stretches = list(recorded_stretches(pool, begin_ns, end_ns))
    complete = stretches == [(begin_ns, end_ns)] and pool.complete_from_ns <= begin_ns
    return complete and all(
        step < DetailStep.THINNED for _, _, step in parts(pool, begin_ns, end_ns)
    )


def _steps(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[Int64, Int64, Int64]:
    """Return (edges, idle workers, excess tasks): shapes (n + 1,), (n,), (n,)."""
    edges, queued, parked, _ = levels(Window(pool, begin_ns, end_ns).slice(begin_ns, end_ns))
    return edges, np.maximum(parked - queued, 0), np.maximum(queued - parked, 0)


def _at(edges: Int64, values: Numbers, timestamps: Int64) -> Numbers:
    """Return the values of a step function at timestamps."""
    place = np.searchsorted(edges, timestamps, side="right") - 1
    return values[np.clip(place, 0, len(values) - 1)]


def free_cores(ledger: Ledger | None, begin_ns: int, end_ns: int) -> tuple[Int64, Float]:
    """Return (edges, usable cores without a worker of the job), shapes (n + 1,) and (n,).

    Infinite where the number of usable cores is not known. A thread counts as using no core at
    times without a sample on both sides.
    """
    edges = np.linspace(begin_ns, end_ns, max(1, (end_ns - begin_ns) // STEP_NS) + 1).astype(
        np.int64
    )
    usable = max(map(_usable, ledger.processes.processes.values()), default=0.0) if ledger else 0.0
    if ledger is None or usable <= 0:
        return edges, np.full(len(edges) - 1, np.inf)
    used = np.zeros(len(edges) - 1)
    held = (slot for pool in ledger.pools.values() for slot in slots(pool, begin_ns, end_ns))
    for thread in {slot.native_id for slot in held}:
        samples = ledger.host.samples(thread, begin_ns, end_ns, 1)
        if len(samples) > 1:
            used += np.diff(np.interp(edges, samples[:, 0], samples[:, 1]))
    return edges, np.maximum(usable - used / np.maximum(np.diff(edges), 1), 0.0)


def _usable(samples: Sequence[ProcessSample]) -> float:
    return samples[-1].usable_cores if samples else 0.0


class StrandedHistory:
    """Cached stranded time of the settled seconds of a job; a live window is their sum."""

    def __init__(self) -> None:
        self._seconds: deque[tuple[int, Pairs]] = deque(maxlen=MOST_SECONDS)

    def extend(self, ledger: Ledger) -> None:
        """Add the seconds that have settled in all open pools since the last call."""
        live = [
            pool for pool in ledger.pools.values() if pool.closed_ns < 0 and pool.complete_ns >= 0
        ]
        if len(live) < 2:
            return
        last = (min(pool.complete_ns for pool in live) - SETTLED_NS) // SECOND_NS
        known = max(pool.complete_from_ns for pool in live)
        first = max(-(-known // SECOND_NS), last - MOST_SECONDS)
        if self._seconds:
            first = max(first, self._seconds[-1][0] + 1)
        for second in range(first, last):
            begin = second * SECOND_NS
            self._seconds.append((second, stranded(live, begin, begin + SECOND_NS, ledger)))

    def pairs(self, begin_ns: int, end_ns: int) -> Pairs:
        """Return the sum of the settled seconds inside a window."""
        total: Pairs = {}
        for second, pairs in self._seconds:
            if begin_ns <= second * SECOND_NS and (second + 1) * SECOND_NS <= end_ns:
                total = _sum(total, pairs)
        return total


def _sum(one: Mapping[tuple[int, int], float], other: Pairs) -> Pairs:
    return {pair: one.get(pair, 0.0) + other.get(pair, 0.0) for pair in {**one, **other}}
