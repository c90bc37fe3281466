"""A stealing pool in which nobody steals: workers idle beside deques with tasks and do not try.

Pure. It is told apart from workers that park too early by the number of steal attempts alone: a
thief makes thousands of them a second.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.findings import LEAST_SHARE
from ...model.vocabulary import FindingCode

if TYPE_CHECKING:
    from ...model.findings import Finding
    from ...model.reading import PoolReading

MOST_ATTEMPTS_PER_S = 1.0
"""Steal attempts for each second of starved time, up to which nobody tries: chosen."""
SENTENCE = "Nobody steals: workers are parked beside deques that hold tasks, and do not try them"
ADVICE = (
    "Let a worker whose deque is empty try the deques of others before it parks, and wake one when "
    "a task is pushed"
)


def never_steals(pool: PoolReading) -> bool:
    """Return whether workers of a pool with deques starve and make no steal attempts."""
    if not pool.has_steals or len(pool.workers) < 2:
        return False
    starved_s = pool.time.starved / 1e9
    return (
        pool.time.starved >= LEAST_SHARE * max(1, pool.time.total)
        and pool.steals.attempts_total < MOST_ATTEMPTS_PER_S * starved_s
    )


def with_never_steals(pool: PoolReading) -> PoolReading:
    """Return a reading that says of starved workers that nobody steals, where that is so."""
    if not never_steals(pool):
        return pool
    return replace(pool, findings=tuple(_renamed(pool, one) for one in pool.findings))


def _renamed(pool: PoolReading, finding: Finding) -> Finding:
    if finding.code is not FindingCode.STARVED_BESIDE_WORK:
        return finding
    return replace(
        finding,
        code=FindingCode.NEVER_STEALS,
        sentence=f"{SENTENCE}: {finding.worker_seconds:.1f} worker-seconds, {finding.share:.0%}",
        advice=ADVICE,
        evidence=f"{pool.steals.attempts_total} steal attempts in {pool.time.starved / 1e9:.1f} s "
        "of starved time",
    )
