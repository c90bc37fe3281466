"""Tasks of one kind that take longer from some moment on: when, and how much longer. Pure.

A. N. Pettitt 1979, "A non-parametric approach to the change-point problem", Applied Statistics
28(2):126-135 (formula from memory): with the ranks r of n values in their order, U_t = 2 Σ r_i, i
up to t, - t (n + 1); the change is where |U_t| is largest, K, and chance makes it as large with a
probability of about 2 exp(-6 K² / (n³ + n²)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import Recent, ran_to_end

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Float, Int64
    from ...model.reading import PoolReading
    from ...model.tasks import KindReading

MOST_VALUES = 4_000
"""Of more tasks than this, some are left out evenly."""
LEAST_EACH = 20
"""Fewer tasks before or after the change show nothing; common practice, no source."""
CHANCE = 1e-4
"""How unlikely by chance the change must be: a pool is read again and again."""
SLOWER = 1.5
"""Tasks take so many times as long, in the median, or the change is none that matters: chosen."""
BLOCKED = 0.5
"""So large a part of a kind's time is blocked where its waits may have grown: chosen."""


@dataclass(frozen=True, slots=True)
class Slowed:
    """A kind that got slower: from when on, and the median run times before and after."""

    kind: str
    since_ns: int
    before_s: float
    after_s: float


def slowed(ledger: PoolLedger, pool: PoolReading) -> Slowed | None:
    """Return since when the kind with the most blocked time takes longer, None for never."""
    kind = max(pool.tasks.kinds, key=lambda one: one.blocked_s, default=None)
    if kind is None or not _is_blocked(kind) or kind.kind not in ledger.task_kinds:
        return None
    rows = Recent(ledger.tasks, pool.begin_ns)
    inside = (rows["ended_ns"] > pool.begin_ns) & (rows["ended_ns"] <= pool.end_ns)
    inside &= ran_to_end(rows["outcome"]) & (rows["kind"] == ledger.task_kinds.index(kind.kind))
    started, ended = rows["started_ns"][inside], rows["ended_ns"][inside]
    order = np.argsort(started, kind="stable")[:: 1 + len(started) // MOST_VALUES]
    started, lengths = started[order], (ended - started)[order] / 1e9
    place = change_point(lengths)
    if place is None:
        return None
    before, after = float(np.median(lengths[:place])), float(np.median(lengths[place:]))
    if after < SLOWER * before:
        return None
    return Slowed(kind.kind, int(started[place]), before, after)


def _is_blocked(kind: KindReading) -> bool:
    whole = kind.working_s + kind.blocked_s + kind.run_queue_wait_s
    return kind.blocked_s >= BLOCKED * whole > 0


def change_point(values: Float) -> int | None:
    """Return where values change their level: the first place of the new one, None where not."""
    size, statistic = len(values), pettitt(values)
    if size < 2 * LEAST_EACH:
        return None
    place = int(np.argmax(np.abs(statistic))) + 1
    largest = abs(float(statistic[place - 1]))
    by_chance = 2 * math.exp(-6 * largest**2 / (size**3 + size**2))
    return place if by_chance < CHANCE and LEAST_EACH <= place <= size - LEAST_EACH else None


def pettitt(values: Float) -> Float:
    """Return U_t for t = 1 … n, shape (n,)."""
    from scipy.stats import rankdata  # late: see `rank_test`

    size = len(values)
    ranks = rankdata(values)
    found: Float = 2 * np.cumsum(ranks) - np.arange(1, size + 1) * (size + 1)
    return found


def part_as_before(one: Slowed, kind: Int64, started_ns: Int64, length_s: Float) -> float:
    """Return by what the time of tasks is multiplied that take as long as before: of tasks of the
    kind (`kind` true), their begins and lengths."""
    own, late = length_s[kind], started_ns[kind] >= one.since_ns
    whole = float(own.sum())
    if whole <= 0:
        return 1.0
    less = float(own[late].sum()) * (1 - one.before_s / one.after_s)
    return 1 - less / whole
