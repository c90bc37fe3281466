"""Which worker took from which in a pool that steals, how hard work was to find, how long it took.

Pure: counts of steal attempts and the ledger's rows in, frozen dataclasses out. Whether victims are
chosen evenly is computed in `evenness`, and the attempts of a random choice in `random_choice`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import MOST_LIVE_ROWS, MOST_ROWS, Recent, last_rows, never_ran, still_open
from ...model.arrays import Int64
from ...model.stealing import (
    NextTaskReading,
    StealingReading,
    ThiefReading,
    VictimReading,
)
from ..stats.summary import quantile_of_sorted
from .evenness import victim_choice
from .random_choice import attempts_per_hit, implied_with_work
from .timeline import steal_timeline
from .with_work import VictimsTried, victims_tried

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import PoolLedger
    from ...model.stealing import StealReading

MOST_FEEDERS = 3
HIGH = 0.9
"""The quantile that is given beside a median."""
MOST_KEY = 1 << 62
IDLE, OTHER, BEGAN = 0, 1, 2
"""Events: an idle interval or a task began, or a task or a wait changed otherwise."""


def stealing(
    pool: PoolLedger, steals: StealReading, begin_ns: int, end_ns: int, *, whole: bool, live: bool
) -> StealingReading | None:
    """Return the figures of a window's steal attempts, None for a pool without deques.

    `whole`: every row of the window is there; otherwise the figures that need rows are missing,
    which are times to the next task and which deques had work. `live`: see `steal_timeline`; which
    deques had work is computed from the latest tasks only, as in `deques.use`.
    """
    if not steals.counts.size:
        return None
    hits, attempts = steals.counts[0], steals.counts.sum(axis=0)
    workers = len(hits)
    times, random = [_no_times()] * workers, VictimsTried(np.zeros(workers), np.zeros(workers))
    if whole:
        times = times_to_next_task(pool, begin_ns, end_ns)
        most = MOST_LIVE_ROWS if live else MOST_ROWS
        random = victims_tried(pool, last_rows(pool.tasks, begin_ns, most), end_ns)
    flow = (hits - hits.T).T
    victims = _victims(attempts, hits, flow)
    feeders = sorted((victim for victim in victims if victim.net_given > 0), key=_given)
    made, took = int(attempts.sum()), int(hits.sum())
    return StealingReading(
        by_thief=_thieves(attempts, hits, times, random),
        by_victim=victims,
        net_flow=tuple(tuple(row) for row in flow.tolist()),
        feeders=tuple(feeders[:MOST_FEEDERS]),
        attempts_per_hit=made / took if took else None,
        with_work=implied_with_work(workers - 1, made, took) if made and workers > 1 else None,
        to_next_task=_next_task(np.concatenate(times)),
        choice=victim_choice(attempts, hits),
        attempts_at_random=_at_random(workers, random.attempts.sum(), random.with_work.sum()),
        timeline=steal_timeline(pool, begin_ns, end_ns, live=live),
    )


def _given(victim: VictimReading) -> tuple[int, int]:
    return -victim.net_given, victim.worker


def _victims(attempts: Int64, hits: Int64, flow: Int64) -> tuple[VictimReading, ...]:
    sums = (attempts.sum(axis=0), hits.sum(axis=0), flow.sum(axis=1))
    counts = zip(*(column.tolist() for column in sums), strict=True)
    return tuple(VictimReading(worker, *of_worker) for worker, of_worker in enumerate(counts))


def _thieves(
    attempts: Int64, hits: Int64, times: Sequence[Int64], random: VictimsTried
) -> tuple[ThiefReading, ...]:
    totals = zip(attempts.sum(axis=1).tolist(), hits.sum(axis=1).tolist(), times, strict=True)
    return tuple(
        ThiefReading(
            worker,
            made,
            took,
            made / took if took else None,
            _next_task(lengths),
            _at_random(len(attempts), random.attempts[worker], random.with_work[worker]),
        )
        for worker, (made, took, lengths) in enumerate(totals)
    )


def _at_random(workers: int, attempts: float, with_work: float) -> float | None:
    """Return the attempts for each hit by random choice, None where no deque had work."""
    return attempts_per_hit(workers - 1, with_work / attempts) if with_work > 0 else None


def _no_times() -> Int64:
    return np.zeros(0, dtype=np.int64)


def _next_task(lengths: Int64) -> NextTaskReading:
    if not len(lengths):
        return NextTaskReading(0, None, None)
    ordered = np.sort(lengths)
    median, high = (quantile_of_sorted(ordered, p) / 1e9 for p in (0.5, HIGH))
    return NextTaskReading(len(lengths), median, high)


def times_to_next_task(pool: PoolLedger, begin_ns: int, end_ns: int) -> list[Int64]:
    """Return each worker's times from going idle to its next task, in ns, shape (n,) each.

    See `NextTaskReading`. A time that crosses the window's edge is left out, so a short window
    lacks the longest times.
    """
    worker, at_ns, what = _events(pool, begin_ns)
    inside = (at_ns >= begin_ns) & (at_ns <= end_ns)
    inside &= (worker >= 0) & (worker < pool.workers)
    worker, at_ns, what = worker[inside], at_ns[inside], what[inside]
    # With one timestamp, ends are first, then the idle interval, then the task that ends it.
    rank = np.array([1, 0, 2])[what]
    order = _in_order(worker, at_ns - begin_ns, rank, end_ns - begin_ns + 1, pool.workers)
    worker, at_ns, what = worker[order], at_ns[order], what[order]
    edges = np.flatnonzero(what != IDLE)
    if len(edges) < 2:
        return [_no_times() for _ in range(pool.workers)]
    # Between two adjacent edges there are only begins of idle intervals.
    before, after = edges[:-1], edges[1:]
    idle = (after - before > 1) & (what[after] == BEGAN) & (worker[before] == worker[after])
    lengths = at_ns[after[idle]] - at_ns[before[idle] + 1]
    whose = worker[after[idle]]
    return np.split(lengths, np.searchsorted(whose, np.arange(1, pool.workers)))


def _in_order(worker: Int64, since_ns: Int64, rank: Int64, span: int, workers: int) -> Int64:
    """Return the order by worker, then time, then rank (0 to 2), shape (n,).

    One key is sorted a quarter faster than three, where all fit into it: the times of a thousand
    workers do for a month.
    """
    if workers * span * 3 >= MOST_KEY:
        return np.lexsort((rank, since_ns, worker))
    return np.argsort((worker * span + since_ns) * 3 + rank, kind="stable")


def _events(pool: PoolLedger, begin_ns: int) -> tuple[Int64, Int64, Int64]:
    """Return (worker, at_ns, event): edges of tasks and waits, and begins of idle intervals."""
    tasks, waits, idle_intervals = (
        Recent(store, begin_ns) for store in (pool.tasks, pool.waits, pool.idle_intervals)
    )
    ran = ~never_ran(tasks["outcome"])
    open_workers, still = still_open(pool, pool.tasks, "started_ns", ("task",))
    parts = (
        (tasks["worker"][ran], tasks["started_ns"][ran], BEGAN),
        (tasks["worker"][ran], tasks["ended_ns"][ran], OTHER),
        (open_workers, [interval.began_ns for interval in still], BEGAN),
        (waits["worker"], waits["began_ns"], OTHER),
        (waits["worker"], waits["ended_ns"], OTHER),
        (idle_intervals["worker"], idle_intervals["began_ns"], IDLE),
    )
    return (
        np.concatenate([np.asarray(part[0], dtype=np.int64) for part in parts]),
        np.concatenate([np.asarray(part[1], dtype=np.int64) for part in parts]),
        np.concatenate([np.full(len(part[0]), part[2], dtype=np.int64) for part in parts]),
    )
