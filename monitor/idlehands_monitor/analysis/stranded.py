"""Stranded time: workers of one pool without work while tasks were queued in another.

At each moment a pool has idle(t) workers that are parked with nothing queued for them, and
excess(t) tasks queued beyond its own parked workers; one of the two is zero. Over all pools of a
job, stranded = ∫ min(Σ idle, Σ excess) dt: what one shared pool would not have had. It is shared
out to pairs of pools, (idle one, loaded one), in proportion to both.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import numpy as np

from .detail import SAMPLED, parts
from .history import MOST_SECONDS, SECOND_NS, SETTLED_NS
from .intervals import Whole
from .parked import levels
from .rows import Int64
from .worker_time import recorded_stretches

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ..ledger import PoolLedger

Pairs = dict[tuple[int, int], float]
"""Nanoseconds by (number of the idle pool, number of the loaded pool)."""


def stranded(pools: Sequence[PoolLedger], begin_ns: int, end_ns: int) -> Pairs:
    """Return the stranded time between pools in a window.

    Left out are pools of which some of the window was lost, sampled or only counted: what was
    queued in them at each moment is not known.
    """
    steps = [
        _steps(pool, begin_ns, end_ns) for pool in pools if _is_recorded(pool, begin_ns, end_ns)
    ]
    numbers = [pool.number for pool in pools if _is_recorded(pool, begin_ns, end_ns)]
    if len(steps) < 2 or begin_ns >= end_ns:
        return {}
    edges = np.unique(np.concatenate([edge for edge, _, _ in steps]))
    widths = np.diff(edges)
    idle = np.stack([_at(edge, values, edges[:-1]) for edge, values, _ in steps])
    excess = np.stack([_at(edge, values, edges[:-1]) for edge, _, values in steps])
    all_idle, all_excess = idle.sum(axis=0), excess.sum(axis=0)
    both = np.minimum(all_idle, all_excess) * widths
    per_pair = both / np.maximum(all_idle * all_excess, 1)
    table = (idle * per_pair) @ excess.T
    return {
        (numbers[a], numbers[b]): float(table[a, b]) for a, b in np.argwhere(table > 0).tolist()
    }


def _is_recorded(pool: PoolLedger, begin_ns: int, end_ns: int) -> bool:
    stretches = list(recorded_stretches(pool, begin_ns, end_ns))
    whole = stretches == [(begin_ns, end_ns)] and pool.complete_from_ns <= begin_ns
    return whole and all(step < SAMPLED for _, _, step in parts(pool, begin_ns, end_ns))


def _steps(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[Int64, Int64, Int64]:
    """Return (edges, idle workers, excess tasks): shapes (n + 1,), (n,), (n,)."""
    edges, queued, parked, _ = levels(Whole(pool, begin_ns, end_ns).cut(begin_ns, end_ns))
    return edges, np.maximum(parked - queued, 0), np.maximum(queued - parked, 0)


def _at(edges: Int64, values: Int64, moments: Int64) -> Int64:
    """Return a step function's values from each moment on."""
    place = np.searchsorted(edges, moments, side="right") - 1
    return values[np.clip(place, 0, len(values) - 1)]


class StrandedHistory:
    """Stranded time of the settled seconds of a job, so that a live window need not be swept."""

    def __init__(self) -> None:
        self._seconds: deque[tuple[int, Pairs]] = deque(maxlen=MOST_SECONDS)

    def extend(self, pools: Sequence[PoolLedger]) -> None:
        """Add the seconds that have settled in every pool that is open since the last call."""
        live = [pool for pool in pools if pool.closed_ns < 0 and pool.complete_ns >= 0]
        if len(live) < 2:
            return
        last = (min(pool.complete_ns for pool in live) - SETTLED_NS) // SECOND_NS
        known = max(pool.complete_from_ns for pool in live)
        first = max(-(-known // SECOND_NS), last - MOST_SECONDS)
        if self._seconds:
            first = max(first, self._seconds[-1][0] + 1)
        for second in range(first, last):
            begin = second * SECOND_NS
            self._seconds.append((second, stranded(live, begin, begin + SECOND_NS)))

    def pairs(self, begin_ns: int, end_ns: int) -> Pairs:
        """Return the sum of the settled seconds inside a window."""
        total: Pairs = {}
        for second, pairs in self._seconds:
            if begin_ns <= second * SECOND_NS and (second + 1) * SECOND_NS <= end_ns:
                total = _sum(total, pairs)
        return total


def _sum(one: Mapping[tuple[int, int], float], other: Pairs) -> Pairs:
    return {pair: one.get(pair, 0.0) + other.get(pair, 0.0) for pair in {**one, **other}}
