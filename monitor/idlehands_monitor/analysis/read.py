"""From the ledger to a reading: one window, every pool, everything a view shows.

Pure: the window, the source's state and the number of cores are handed in.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from idlehands.wire import CANCELLED, FAILED, LOST, MOVED

from .blocked import blocked
from .bounds import graph_reading
from .deque_use import deque_use
from .detail import WORDS, step_at, tasks_run, weights
from .findings import findings
from .flow import balance, queueing
from .graph import MOST_LIVE_TASKS, MOST_TASKS
from .history import SECOND_NS
from .host import host_readings, of_pool
from .host_findings import host_findings
from .intervals import Whole, queued_at
from .moments import quantile
from .past import DAMAGED
from .promises import promises
from .queue_length import mean_lengths
from .readings import (
    STEALING,
    HandOverReading,
    KindReading,
    PoolReading,
    Reading,
    SkippedReading,
    SourceReading,
    StealReading,
    StrandedReading,
    TaskReading,
)
from .rows import Recent, whole_runs
from .scheduler_findings import SchedulerUse, scheduler_costs, scheduler_findings
from .steals import stealing
from .stranded import stranded
from .unprobed import sampled_pools
from .worker_time import pool_time, rates_of, slice_times
from .workers import comings_and_goings, kind_name, worker_readings

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..ledger import Ledger, OpenInterval, PoolLedger
    from .entries import PoolTime
    from .history import PoolHistory
    from .host_readings import HostReading
    from .past import Past
    from .rows import Bool, Int64
    from .stranded import Pairs

MOST_COUNTED_KIND = 1 << 16
"""Far above the numbers that a probe gives to kinds of task."""
MOST_SLICES = 60
CLOCKS_MAY_DIFFER = 1000
"""Worker time below nothing is an error of stamps up to this part of a window, and past it none of
a pool that ran: its rows overlap."""
SELDOM_SECONDS, HOST_SECONDS = 10, 2
"""How long a live view keeps what is judged while no screen shows it, and what the host said."""
SHORTEST_SLICE_NS = 100_000_000
"""A window that is read as a whole is cut into equal parts, neither many nor short."""


def read(
    ledger: Ledger,
    source: SourceReading,
    window_ns: int | None = None,
    past: Past | None = None,
    *,
    fresh: bool = True,
) -> Reading:
    """Return the reading of the last `window_ns` (None: all that is held) of every pool.

    Of a process without a probe, of what its threads look like from outside.

    `past` holds what was worked out of earlier seconds, which views draw and windows are made of.
    Without `fresh` what is judged of promises, stealing, deques, parking and queueing may be some
    seconds old: more than half of the work, for views that show none of it.
    """
    windows = _windows(ledger, window_ns)
    if past is not None:
        windows = {
            number: (_settled_begin(ledger.pools[number], begin, end), end)
            for number, (begin, end) in windows.items()
        }
    host: tuple[HostReading, ...] = ()
    between: Pairs = {}
    if windows:
        end = max(window[1] for window in windows.values())
        begin = min(window[0] for window in windows.values())
        since = begin if window_ns is None else end - window_ns

        def of_host() -> tuple[HostReading, ...]:
            return host_readings(ledger, since, end)

        host = of_host() if past is None else past.kept("host", end, HOST_SECONDS, of_host)
        between = _stranded(ledger, windows, past)
    pools, contradictory = [], 0
    for number, window in windows.items():
        history = past.pools.get(number) if past else None
        stranded_ns = sum(ns for (idle, _), ns in between.items() if idle == number)
        try:
            pool = ledger.pools[number]
            pools.append(read_pool(ledger, pool, *window, history, host, stranded_ns, fresh=fresh))
        except DAMAGED:
            contradictory += 1
    if contradictory:
        why = SkippedReading("pools", "their rows contradict each other", contradictory)
        source = replace(source, skipped=(*source.skipped, why))
    pairs = sorted(between.items(), key=lambda pair: -pair[1])
    return Reading(
        source,
        tuple(pools),
        host,
        tuple(StrandedReading(*pair, ns / 1e9) for pair, ns in pairs),
        sampled_pools(ledger, window_ns),
    )


def _stranded(ledger: Ledger, windows: Mapping[int, tuple[int, int]], past: Past | None) -> Pairs:
    """Return what was stranded between pools while all of them were there."""
    begin = max(window[0] for window in windows.values())
    end = min(window[1] for window in windows.values())
    if past is not None:
        return past.stranded.pairs(begin, end)
    return stranded([ledger.pools[number] for number in windows], begin, end, ledger)


def window_of(pool: PoolLedger, window_ns: int | None) -> tuple[int, int] | None:
    """Return (begin, end) of the last `window_ns` of complete data, None before there is any."""
    end = pool.complete_ns
    if pool.closed_ns >= 0:
        end = min(end, pool.closed_ns)
    begin = pool.complete_from_ns
    if window_ns is not None:
        begin = max(begin, end - window_ns)
    return (begin, end) if 0 <= begin < end else None


def _windows(ledger: Ledger, window_ns: int | None) -> dict[int, tuple[int, int]]:
    """Return the window of each pool: of a capture for some time, what of that time it was there.

    Where no pool was there in that time, all that is held of each.
    """
    windows = {
        pool.number: window
        for pool in ledger.pools.values()
        if (window := window_of(pool, window_ns)) is not None
    }
    if window_ns is not None or ledger.window is None:
        return windows
    low, high = ledger.window
    asked = {
        number: (max(begin, low), min(end, high))
        for number, (begin, end) in windows.items()
        if begin < high and low < end
    }
    return asked or windows


def _settled_begin(pool: PoolLedger, begin_ns: int, end_ns: int) -> int:
    """Return the whole second nearest to `begin_ns`, where the pool's data goes so far back.

    The seconds of a live window have been worked out; a part of one would have to be, every time.
    """
    second = (begin_ns + SECOND_NS // 2) // SECOND_NS * SECOND_NS
    known = pool.complete_from_ns <= second <= end_ns - SECOND_NS
    return second if known else begin_ns


def read_pool(
    ledger: Ledger,
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    history: PoolHistory | None = None,
    host: tuple[HostReading, ...] = (),
    stranded_ns: float = 0.0,
    *,
    fresh: bool = True,
) -> PoolReading:
    """Return the reading of one pool between two moments; `host` is that of every process.

    `stranded_ns`: how long its workers were idle while tasks were queued in other pools. Raises
    one of `DAMAGED` where the rows contradict each other.
    """
    if history is None:
        held = Whole(pool, begin_ns, end_ns).ordered()
        rates = rates_of(pool, ledger.host, held, begin_ns, end_ns)
        time = pool_time(pool, ledger.host, begin_ns, end_ns, held, rates)
        edges = _edges(begin_ns, end_ns)
        slices = slice_times(pool, ledger.host, edges, held, rates)
        times = tuple(part.pool for part in slices)
        lengths = mean_lengths(pool, edges) if pool.kind != STEALING else ()
        slice_s = (end_ns - begin_ns) / len(times) / 1e9
    else:
        time = history.time(pool, ledger.host, begin_ns, end_ns)
        times, lengths, slice_s = history.times, history.queue_lengths, SECOND_NS / 1e9
    if time.entries.min(initial=0) * CLOCKS_MAY_DIFFER < -time.recorded_ns:
        raise ValueError("the rows of a pool contradict each other")
    window_s = time.recorded_ns / 1e9
    sampled = time.counted_ns + time.sampled_ns > 0
    whole = not sampled and time.recorded_ns == end_ns - begin_ns
    steals = _steals(pool, begin_ns, end_ns)
    stays = comings_and_goings(pool, begin_ns, end_ns)
    tasks = _tasks(pool, begin_ns, end_ns, time, history, sampled=sampled)
    waited = blocked(time)

    def judged() -> dict[str, Any]:
        use = deque_use(pool, time, begin_ns, end_ns, live=history is not None)
        looked = stealing(pool, steals, begin_ns, end_ns, whole=whole, live=history is not None)
        most = MOST_TASKS if history is None else MOST_LIVE_TASKS
        graph = graph_reading(pool, time, steals, begin_ns, end_ns, most)
        return {
            **use._asdict(),
            "graph": graph,
            "stealing": looked,
            "promises": promises(pool, begin_ns, end_ns, graph, use, looked),
            "queueing": queueing(pool, time, begin_ns, end_ns),
            "balance": balance(time, tasks.finished),
        }

    if history is None:
        more = judged()
    else:
        more = history.kept("judged", end_ns, 1 if fresh else SELDOM_SECONDS, judged)
    use = SchedulerUse.of(more)
    costs = scheduler_costs(time, steals, use)
    others = host_findings(time, stays, of_pool(pool, host))
    others += scheduler_findings(time, steals, use, costs)
    return PoolReading(
        name=pool.name,
        kind=pool.kind,
        number=pool.number,
        pid=pool.pid,
        workers=worker_readings(pool, time.per_worker, steals, history, begin_ns, end_ns),
        history=times,
        slice_s=slice_s,
        queue_lengths=lengths,
        begin_ns=begin_ns,
        end_ns=end_ns,
        window_s=window_s,
        unrecorded_s=(end_ns - begin_ns) / 1e9 - window_s,
        time=time.pool,
        core_time=time.core_time,
        tasks=tasks,
        blocked=waited,
        detail=WORDS[min(step_at(pool, end_ns), len(WORDS) - 1)],
        counted_s=time.counted_ns / 1e9,
        sampled_s=time.sampled_ns / 1e9,
        sampling_error=time.error,
        steals=steals,
        hand_overs=_hand_overs(pool, begin_ns, end_ns),
        stays=stays,
        broken=pool.broken,
        inbox=pool.inbox,
        findings=findings(
            time.pool,
            pool.workers,
            window_s,
            stays,
            others,
            waited,
            stranded_ns,
            costs.searching,
            one_queue=pool.shared_queue,
            broken=pool.broken.rstrip("."),
        ),
        lost_rows=pool.lost_rows,
        misuses=pool.misuses,
        closed=pool.closed_ns >= 0,
        **more,
    )


def _edges(begin_ns: int, end_ns: int) -> list[int]:
    """Return the edges of equal parts of a window."""
    count = max(1, min(MOST_SLICES, (end_ns - begin_ns) // SHORTEST_SLICE_NS))
    return [begin_ns + (end_ns - begin_ns) * part // count for part in range(count + 1)]


def _steals(pool: PoolLedger, begin_ns: int, end_ns: int) -> StealReading:
    return StealReading(pool.counts_between(begin_ns, end_ns))


def _hand_overs(pool: PoolLedger, begin_ns: int, end_ns: int) -> HandOverReading:
    if pool.kind == STEALING:
        return HandOverReading(())
    store, side = Recent(pool.tasks, begin_ns), pool.workers
    inside = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    inside &= (store["worker"] >= 0) & (store["worker"] < side) & (store["spawned_by"] < side)
    counts = np.zeros((side + 1, side), dtype=np.int64)
    submitters = np.maximum(store["spawned_by"][inside], -1) + 1
    np.add.at(counts, (submitters, store["worker"][inside]), weights(pool, store)[inside])
    return HandOverReading(tuple(tuple(row) for row in counts.tolist()))


def _tasks(
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    time: PoolTime,
    history: PoolHistory | None,
    *,
    sampled: bool,
) -> TaskReading:
    store = Recent(pool.tasks, begin_ns)
    inside = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    outcome = store["outcome"][inside]
    moments = Recent(pool.spawns, begin_ns)["spawned_ns"]
    spawned = int(np.count_nonzero((moments >= begin_ns) & (moments < end_ns)))
    weight = weights(pool, store)
    finished, over_ns = int(np.count_nonzero(whole_runs(outcome))), time.recorded_ns
    queued = queued_at(pool, end_ns)
    if sampled:  # the rows are some of the tasks; the totals count them all
        queued = max(0, pool.inbox) if pool.closed_ns < 0 else 0
    if (sampled or pool.lost_rows) and pool.totals and pool.totals[-1][1]:
        finished, spawned = tasks_run(pool, begin_ns, end_ns)
        over_ns = end_ns - begin_ns  # where rows were lost, too, tasks were counted

    def spread() -> tuple[tuple[KindReading, ...], float | None]:
        """Return what takes the longest to work out of many tasks: kinds, the median wait."""
        ran = inside & whole_runs(store["outcome"])
        waits = (store["started_ns"] - store["spawned_ns"])[ran]
        return _kinds(pool, store, ran, weight, time), _median_s(waits)

    kinds, median = spread() if history is None else history.kept("spread", end_ns, 1, spread)
    return TaskReading(
        finished=finished,
        failed=int(weight[inside][outcome == FAILED].sum()),
        cancelled=int(np.count_nonzero(outcome == CANCELLED)),
        lost=int(np.count_nonzero(outcome == LOST)) + sum(map(_holds_lost, pool.open)),
        moved=int(np.count_nonzero(outcome == MOVED)),
        per_s=finished / over_ns * 1e9 if over_ns else 0.0,
        calls=sum(kind.calls for kind in kinds),
        spawned=spawned,
        queued=queued,
        running=sum(
            any(i.what == "task" and i.until_ns < 0 for i in intervals) for intervals in pool.open
        ),
        median_queue_wait_s=median,
        kinds=kinds,
    )


def _holds_lost(intervals: list[OpenInterval]) -> bool:
    return any(i.what == "task" and i.until_ns >= 0 for i in intervals)


def _kinds(
    pool: PoolLedger, store: Recent, ran: Bool, weights: Int64, time: PoolTime
) -> tuple[KindReading, ...]:
    kinds, lengths = store["kind"][ran], (store["ended_ns"] - store["started_ns"])[ran]
    stolen, weight = store["taken_from"][ran] >= 0, weights[ran]
    spent_in, taken = lengths * weight, np.where(stolen, weight, 0)
    failed = np.where(store["outcome"][ran] == FAILED, weight, 0)
    # Elsewhere the size is a hint of how much work a task is, in units of the job's own.
    calls = weight * np.maximum(store["size"][ran], 1) if pool.shared_queue else weight
    spent = time.in_task.by_kind / 1e9
    took = np.flatnonzero(spent[:, :-1].sum(axis=0)).tolist()
    readings = []
    for kind in sorted({*_distinct(kinds), *took}):
        mine = np.flatnonzero(kinds == kind)
        known = kind if 0 <= kind < spent.shape[1] - 1 else -1
        working_s, blocked_s, queued_s = spent[:, known].tolist()
        readings.append(
            KindReading(
                kind_name(pool, kind),
                int(weight[mine].sum()),
                float(spent_in[mine].sum()) / 1e9,
                _median_s(lengths[mine]),
                int(taken[mine].sum()),
                working_s,
                blocked_s,
                queued_s,
                int(failed[mine].sum()),
                int(calls[mine].sum()),
            )
        )
    return tuple(sorted(readings, key=lambda reading: -reading.total_s))


def _distinct(kinds: Int64) -> list[int]:
    """Return the numbers of all kinds, without sorting all rows where that can be helped."""
    if not len(kinds) or kinds.min() < 0 or kinds.max() > MOST_COUNTED_KIND:
        found = np.unique(kinds)
    else:
        found = np.flatnonzero(np.bincount(kinds))
    return [int(kind) for kind in found]


def _median_s(nanoseconds: Int64) -> float | None:
    return quantile(nanoseconds, 0.5) / 1e9 if len(nanoseconds) else None
