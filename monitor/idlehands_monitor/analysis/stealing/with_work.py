"""How many other deques had work when a worker looked, from the rows, not from its luck.

Pure. A task was in the deque that it was taken from, from its spawn to its begin; a deque had work
while any task was in it. A look was at some moment of the search that it is counted in. What looks
at random would need follows from that: n/k a hit, where k of n others have work
(`probing.attempts_per_hit`, looks with replacement).
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
    """Of each worker, shape (workers,): its looks, and those times the number of other deques that
    had work, on average over the search that a look was in."""

    attempts: Float
    with_work: Float


class Spans(NamedTuple):
    """Stretches of time, shape (n,) each; times from the window's begin."""

    who: Int64
    began: Int64
    ended: Int64


def victims_tried(pool: PoolLedger, begin_ns: int, end_ns: int) -> VictimsTried:
    """Return the looks of each worker in a window, and beside how many deques with work.

    Searches that the window's edges cut are left out. Tasks that had not begun at the window's end
    are in no row, and in no deque here.
    """
    full = with_work(pool, begin_ns, end_ns)
    idle_intervals = Recent(pool.idle_intervals, begin_ns)
    who, began, ended = (
        idle_intervals["worker"],
        idle_intervals["began_ns"],
        idle_intervals["ended_ns"],
    )
    whole = (idle_intervals["state"] == SEARCHING) & (idle_intervals["attempts"] > 0)
    whole &= (began >= begin_ns) & (ended >= began) & (ended <= end_ns)
    whole &= (who >= 0) & (who < pool.workers)
    searches = Spans(who[whole], began[whole] - begin_ns, ended[whole] - begin_ns)
    # On an axis on which workers' windows follow each other, only a worker's own spans count.
    apart = end_ns - begin_ns + 1
    own = mean_beside(_laid_out(searches, apart), _laid_out(full, apart))
    attempts = idle_intervals["attempts"][whole].astype(np.float64)
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
    """Return when at least one of each worker's spans was going on."""
    who = np.concatenate([spans.who, spans.who])
    moment = np.concatenate([spans.began, spans.ended])
    step = np.repeat(np.array([1, -1]), len(spans.who))
    order = np.lexsort((-step, moment, who))  # what begins as another ends goes on from it
    who, moment, step = who[order], moment[order], step[order]
    going_on = np.cumsum(step)
    first, last = (step > 0) & (going_on == 1), (step < 0) & (going_on == 0)
    return Spans(who[first], moment[first], moment[last])


def mean_beside(some: Spans, others: Spans) -> Float:
    """Return how many of `others` went on during each span on average, at it where it has no
    length, shape (n,)."""
    length = some.ended - some.began
    in_common = _until(others, some.ended) - _until(others, some.began)
    at_once = _going_on(others, some.began).astype(np.float64)
    return np.where(length > 0, in_common / np.maximum(length, 1), at_once)


def _going_on(spans: Spans, timestamps: Int64) -> Int64:
    began, ended = (
        np.searchsorted(np.sort(edges), timestamps, side="right")
        for edges in (spans.began, spans.ended)
    )
    return np.asarray(began - ended, dtype=np.int64)


def _until(spans: Spans, timestamps: Int64) -> Float:
    """Return how much of all spans lies before each moment, nanoseconds."""
    total = np.zeros(len(timestamps))
    for edges, sign in ((np.sort(spans.began), 1.0), (np.sort(spans.ended), -1.0)):
        before = np.searchsorted(edges, timestamps)
        sums = np.concatenate([[0.0], np.cumsum(edges, dtype=np.float64)])
        total += sign * (before * timestamps.astype(np.float64) - sums[before])
    return total


def _clipped(
    who: Int64, began: Int64, ended: Int64, inside: Bool, begin_ns: int, end_ns: int
) -> Spans:
    """Return spans cut at a window's edges, times from the window's begin."""
    began = np.maximum(began, begin_ns) - begin_ns
    ended = np.minimum(ended, end_ns) - begin_ns
    kept = inside & (ended > began)
    return Spans(who[kept], began[kept], ended[kept])
