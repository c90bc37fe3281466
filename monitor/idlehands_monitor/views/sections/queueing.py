"""The queue that a pool's workers share, how tasks flow through it, and how evenly they ran."""

from __future__ import annotations

from math import inf, isinf, isnan
from typing import TYPE_CHECKING

from ..formatting import bars, count, seconds
from .facts import Section, Sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.queueing import QueueingReading
    from ...model.reading import PoolReading


MISFIT, LEAST_WAIT_S = 2.0, 0.001
"""Theory does not fit where it is wrong by more than this factor (chosen), and one of the waits is
long enough to matter. Then nothing is said of it."""


def queueing(pool: PoolReading) -> Section | None:
    """Return the queue's length over time, the flow of tasks beside what theory expects of it, and
    the balance of the workers; None where none of these is known."""
    lines = [line for line in (_lengths(pool), _balance(pool)) if line]
    flow = _flow(pool)
    if not flow and not lines:
        return None
    return Section("Queueing", flow, tuple(map(Sentence, lines)))


def length_phrase(value: float) -> str:
    """Write a mean number of queued tasks: 0, 0.3, 12, 3.4k."""
    return f"{value:.1f}" if 0 < value < 9.95 else count(round(value))


def known_lengths(lengths: Sequence[float]) -> list[float]:
    """Return the lengths that are known."""
    return [length for length in lengths if not isnan(length)]


def _lengths(pool: PoolReading) -> str:
    known = known_lengths(pool.queue_lengths)
    if not known:
        return ""
    most = max(known)
    drawn = bars([None if isnan(length) else length for length in pool.queue_lengths], most)
    return (
        f"Queue length, the mean of {seconds(pool.slice_s)} a bar: {drawn} "
        f"up to {length_phrase(most)} tasks; {pool.tasks.queued} queued at the end"
    )


def _flow(pool: PoolReading) -> str:
    queue = pool.queueing
    if queue is None:
        return ""
    theory = [
        f"{seconds(wait)} for {model}"
        for model, wait in (
            (f"random arrivals and run times (M/M/{queue.servers})", queue.mmc_wait_s),
            ("their measured variation (Allen-Cunneen)", queue.allen_cunneen_wait_s),
        )
        if wait is not None and _fits(queue)
    ]
    return (
        f"{queue.arrival_rate:.1f} tasks/s came in; on average "
        f"{queue.mean_in_pool:.1f} were in the pool; mean wait in the queue "
        f"{seconds(queue.mean_queue_wait_s)}"
        + (f"; theory expects {', and '.join(theory)}" if theory else "")
    )


def _fits(queue: QueueingReading) -> bool:
    """Return whether tasks came as theory has them come: each by itself, and not in batches or when
    others ended."""
    both = (queue.allen_cunneen_wait_s, queue.mmc_wait_s)
    expected = next((wait for wait in both if wait is not None), inf)
    if isinf(expected):
        return False
    longer = max(queue.mean_queue_wait_s, expected)
    return longer <= MISFIT * min(queue.mean_queue_wait_s, expected) or longer < LEAST_WAIT_S


def _balance(pool: PoolReading) -> str:
    spread = pool.balance
    if spread is None:
        return ""
    return (
        f"Balance: the busiest worker was in tasks for {seconds(spread.imbalance_s)} "
        f"({spread.imbalance:.0%}) longer than the mean worker; Jain's fairness index is "
        f"{spread.jain:.2f} (1 is even)"
    )
