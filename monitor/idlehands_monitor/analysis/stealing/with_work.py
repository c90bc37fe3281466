"""How many other deques had work during a worker's steal attempts, from the rows of tasks.

Pure. A task was in the deque that it was taken from, from its spawn to its begin; a deque had work
while any task was in it. An attempt was at some time in the search that counts it. The attempts
that a random choice would need follow from that: n/k per hit, where k of n others have work
(`random_choice.attempts_per_hit`, draws with replacement).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from idlehands.wire import INBOX, OWN_DEQUE, SEARCHING

from ...ledger.rows import Recent, never_ran, still_open, with_more

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Bool, Float, Int64


class VictimsTried(NamedTuple):
    """Of each worker, shape (workers,): its attempts, and the sum over them of the number of other
    deques that had work, a mean over the search of each attempt."""

    attempts: Float
    with_work: Float


class Spans(NamedTuple):
    """Stretches of time, shape (n,) each; times in ns from the window's begin."""

    who: Int64
    began: Int64
    ended: Int64


def victims_tried(pool: PoolLedger, begin_ns: int, end_ns: int) -> VictimsTried:
    """Return the attempts of each worker in a window, and how many deques had work then.

    Searches that cross the window's edges are left out. Tasks that had not begun at the window's
    end have no row, so they are in no deque here.
    """
    full = with_work(pool, begin_ns, end_ns)
    idle_intervals = Recent(pool.idle_intervals, begin_ns)
    who, began, ended = (
        idle_intervals["worker"],
        idle_intervals["began_ns"],
        idle_intervals["ended_ns"],
    )
    inside = (idle_intervals["state"] == SEARCHING) & (idle_intervals["attempts"] > 0)
    inside &= (began >= begin_ns) & (ended >= began) & (ended <= end_ns)
    inside &= (who >= 0) & (who < pool.workers)
    searches = Spans(who[inside], began[inside] - begin_ns, ended[inside] - begin_ns)
    # If workers' windows are put one after another, only a worker's own spans overlap.
    apart = end_ns - begin_ns + 1
    own = mean_beside(_laid_out(searches, apart), _laid_out(full, apart))
    attempts = idle_intervals["attempts"][inside].astype(np.float64)
    beside = attempts * (mean_beside(searches, full) - own)
    return VictimsTried(
        *(_per_worker(searches.who, some, pool.workers) for some in (attempts, beside))
    )


def _per_worker(who: Int64, amounts: Float, workers: int) -> Float:
    return np.bincount(who, amounts, workers).astype(np.float64)


def _laid_out(spans: Spans, apart: int) -> Spans:
    shift = spans.who * apart
    return Spans(spans.who, spans.began + shift, spans.ended + shift)


def with_work(pool: PoolLedger, begin_ns: int, end_ns: int) -> Spans:
    """Return when each worker's deque had work, inside a window."""
    tasks = Recent(pool.tasks, begin_ns)
    ran = ~never_ran(tasks["outcome"])
    workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    who, taken, began, ended = (
        with_more(column, more)
        for column, more in (
            (tasks["worker"][ran], workers),
            (tasks["taken_from"][ran], [interval.taken_from for interval in still]),
            (tasks["spawned_ns"][ran], [interval.spawned_ns for interval in still]),
            (tasks["started_ns"][ran], [interval.began_ns for interval in still]),
        )
    )
    owner = np.where(taken == OWN_DEQUE, who, taken)
    inside = (taken != INBOX) & (owner >= 0) & (owner < pool.workers)
    return merged(_clipped(owner, began, ended, inside, begin_ns, end_ns))


def merged(spans: Spans) -> Spans:
    """Return when at least one of each worker's spans was open."""
    who = np.concatenate([spans.who, spans.who])
    at = np.concatenate([spans.began, spans.ended])
    step = np.repeat(np.array([1, -1]), len(spans.who))
    order = np.lexsort((-step, at, who))  # a span that begins as another ends continues it
    who, at, step = who[order], at[order], step[order]
    open_spans = np.cumsum(step)
    first, last = (step > 0) & (open_spans == 1), (step < 0) & (open_spans == 0)
    return Spans(who[first], at[first], at[last])


def mean_beside(some: Spans, others: Spans) -> Float:
    """Return how many of `others` were open during each span, on average, shape (n,).

    For a span without length, at its time.
    """
    length = some.ended - some.began
    in_common = _until(others, some.ended) - _until(others, some.began)
    at_once = _open_at(others, some.began).astype(np.float64)
    return np.where(length > 0, in_common / np.maximum(length, 1), at_once)


def _open_at(spans: Spans, timestamps: Int64) -> Int64:
    began, ended = (
        np.searchsorted(np.sort(edges), timestamps, side="right")
        for edges in (spans.began, spans.ended)
    )
    return np.asarray(began - ended, dtype=np.int64)


def _until(spans: Spans, timestamps: Int64) -> Float:
    """Return how much of all spans is before each timestamp, in ns."""
    total = np.zeros(len(timestamps))
    for edges, sign in ((np.sort(spans.began), 1.0), (np.sort(spans.ended), -1.0)):
        before = np.searchsorted(edges, timestamps)
        sums = np.concatenate([[0.0], np.cumsum(edges, dtype=np.float64)])
        total += sign * (before * timestamps.astype(np.float64) - sums[before])
    return total


def _clipped(
    who: Int64, began: Int64, ended: Int64, inside: Bool, begin_ns: int, end_ns: int
) -> Spans:
    """Return spans clipped to a window, with times from the window's begin."""
    began = np.maximum(began, begin_ns) - begin_ns
    ended = np.minimum(ended, end_ns) - begin_ns
    chosen = inside & (ended > began)
    return Spans(who[chosen], began[chosen], ended[chosen])
