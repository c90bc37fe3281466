"""The queue that a pool's workers share and how tasks flow through it, as lines of plain text."""

from __future__ import annotations

from math import isinf, isnan
from typing import TYPE_CHECKING

from .formatting import count, seconds
from .stealing import bars

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..model.reading import PoolReading


def length_words(value: float) -> str:
    """Write a mean number of queued tasks: 0, 0.3, 12, 3.4k."""
    return f"{value:.1f}" if 0 < value < 9.95 else count(round(value))


def known_lengths(lengths: Sequence[float]) -> list[float]:
    """Return the lengths that are known."""
    return [length for length in lengths if not isnan(length)]


def queue_lines(pool: PoolReading) -> list[str]:
    """Return the length of a shared queue over time; none for pools without one."""
    known = known_lengths(pool.queue_lengths)
    if not known:
        return []
    most = max(known)
    drawn = bars([None if isnan(length) else length for length in pool.queue_lengths], most)
    return [
        f"Queue length, the mean of {seconds(pool.slice_s)} a bar: {drawn} "
        f"up to {length_words(most)} tasks; {pool.tasks.queued} queued at the end"
    ]


def calls_per_task(pool: PoolReading) -> float | None:
    """Return the mean number of calls that the finished tasks were, None where each was one."""
    ended = sum(kind.finished for kind in pool.tasks.kinds)
    return pool.tasks.calls / ended if ended and pool.tasks.calls != ended else None


def flow_lines(pool: PoolReading) -> list[str]:
    """Return how tasks came and waited, beside what theory expects, and how evenly they ran."""
    lines = []
    queue, spread = pool.queueing, pool.balance
    if queue is not None:
        theory = [
            f"{'a wait without bound' if isinf(wait) else seconds(wait)} for {model}"
            for model, wait in (
                (f"random arrivals and run times (M/M/{queue.servers})", queue.mmc_wait_s),
                ("their measured variation (Allen-Cunneen)", queue.allen_cunneen_wait_s),
            )
            if wait is not None
        ]
        lines.append(
            f"Queueing: {queue.arrival_rate:.1f} tasks/s came in; on average "
            f"{queue.mean_in_pool:.1f} were in the pool; mean wait in the queue "
            f"{seconds(queue.mean_queue_wait_s)}"
            + (f"; theory expects {', and '.join(theory)}" if theory else "")
        )
    if spread is not None:
        lines.append(
            f"Balance: the busiest worker was in tasks for {seconds(spread.imbalance_s)} "
            f"({spread.imbalance:.0%}) longer than the mean worker; Jain's fairness index is "
            f"{spread.jain:.2f} (1 is even)"
        )
    return lines
