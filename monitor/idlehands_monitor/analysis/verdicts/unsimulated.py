"""Findings of a pool that was not simulated: by rules of their own, then by shares of time.

Pure.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.findings import LEAST_SHARE, URGENT, Finding
from ...model.vocabulary import FindingCode, WaitReason
from .attributing import attributed
from .cause_list import LOCK_ADVICE, larger_pieces, lock_wait, percent, where_of
from .time_shares import waited

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ...model.reading import PoolReading

LEAST_TINY, TINY_S, MOST_OF_ALL = 1_000, 1e-3, 0.8
"""So many tasks of a kind, of at most so many seconds each and so large a part of all tasks, can be
too small without a simulation that says so: chosen."""
MOSTLY = 0.5
"""The part of the blocked time that names what tasks are blocked for: chosen."""
DECIDED = {
    FindingCode.STARVED_BESIDE_WORK,
    FindingCode.STRANDED_IN_OTHER_POOL,
    FindingCode.TOO_LITTLE_PARALLELISM,
    FindingCode.INTERPRETER_LOCK,
    FindingCode.BLOCKED_IN_TASK,
    FindingCode.MORE_WORKERS_THAN_CORES,
    FindingCode.LONG_SEARCHES,
    FindingCode.PARK_CHURN,
}
"""Findings by a category of worker time; where there is a simulation, its gains decide."""
BY_SHARE = DECIDED | {FindingCode.LOCK_WAIT}
"""Findings whose worker time says how much they matter where nothing was simulated."""


def not_simulated(pool: PoolReading, why: str) -> tuple[Finding, ...]:
    """Return the findings of a pool without a simulation: by rules of their own, then by shares.

    why: no gain is known.
    """
    found = [*_tiny(pool), *(_for_a_lock(pool, one) for one in pool.findings)]
    found.sort(key=lambda one: (one.code not in URGENT, one.code in BY_SHARE))
    named = attributed(pool, tuple(replace(one, no_gain=one.no_gain or why) for one in found))
    return tuple(one for one in named if one.worker_seconds > 0 or one.code not in DECIDED)


def _for_a_lock(pool: PoolReading, finding: Finding) -> Finding:
    """Return the finding that tasks are blocked as one of locks, if locks block them mostly."""
    share = waited(WaitReason.LOCK)(pool)
    least = MOSTLY * pool.time.blocked / max(1, pool.time.total)
    if finding.code is not FindingCode.BLOCKED_IN_TASK or share < max(least, LEAST_SHARE):
        return finding
    return replace(
        finding,
        code=FindingCode.LOCK_WAIT,
        sentence=lock_wait(pool),
        advice=LOCK_ADVICE,
        worker_seconds=share * pool.time.worker_seconds,
        share=share,
        where=where_of(pool, FindingCode.LOCK_WAIT),
    )


def _tiny(pool: PoolReading) -> Iterator[Finding]:
    """Tasks are so small that the pool takes longer to hand them over than they take."""
    time = pool.time
    around_s = (time.dispatch + time.waking + time.starved) / 1e9
    kind = max(pool.tasks.kinds, key=lambda one: one.finished, default=None)
    if (
        kind is None
        or kind.finished < max(LEAST_TINY, MOST_OF_ALL * pool.tasks.finished)
        or kind.total_s > TINY_S * kind.finished
        or around_s < kind.total_s
        or around_s < LEAST_SHARE * time.worker_seconds
    ):
        return
    share = around_s / time.worker_seconds
    together = math.ceil(2 * around_s / max(1e-9, kind.total_s))
    yield Finding(
        FindingCode.GRAIN_TOO_FINE,
        around_s,
        share,
        f"Tasks are too small: they take {1e6 * kind.total_s / kind.finished:.3g} µs each, and "
        f"what the pool needs around them takes {percent(share)} of the worker time",
        larger_pieces(pool, together),
        where=kind.kind,
        source="common practice, no source",
    )
