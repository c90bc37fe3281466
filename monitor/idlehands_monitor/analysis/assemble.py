"""From the ledger to a reading: one window, every pool, everything a view shows.

Pure: the window, the source's state and the number of cores are handed in.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ..ledger.detail import WORDS, step_at
from ..ledger.queue_length import mean_lengths
from ..model.reading import STEALING, PoolReading, Reading, StrandedReading
from ..model.source import SkippedReading, SourceReading
from ..model.stealing import StealReading
from .deques.use import deque_use
from .external.pools import external_pools
from .graph.bounds import graph_reading
from .graph.graph import MOST_LIVE_TASKS, MOST_TASKS
from .host.host import host_readings, of_pool
from .queueing.flow import balance, queueing
from .queueing.tasks import hand_overs_reading, task_reading
from .stats.cache import SECOND_NS
from .stealing.steals import stealing
from .time.blocked import blocked
from .time.job_history import DAMAGED
from .time.stranded import stranded
from .time.window import Window
from .time.worker_time import pool_time, rates_of, slice_times
from .time.workers import lifetimes_reading, worker_readings
from .verdicts.findings import findings
from .verdicts.host_findings import host_findings
from .verdicts.promises import promises
from .verdicts.scheduler_findings import SchedulerUse, scheduler_costs, scheduler_findings
from .windows import edges_of, settled_begin, windows_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..ledger import Ledger, PoolLedger
    from ..model.host import HostReading
    from .time.history import PoolHistory
    from .time.job_history import JobHistory
    from .time.stranded import Pairs

CLOCKS_MAY_DIFFER = 1000
"""Worker time below nothing is an error of stamps up to this part of a window, and past it none of
a pool that ran: its rows overlap."""
SELDOM_SECONDS, HOST_SECONDS = 10, 2
"""How long a live view keeps what is judged while no screen shows it, and what the host said."""


def read(
    ledger: Ledger,
    source: SourceReading,
    window_ns: int | None = None,
    past: JobHistory | None = None,
    *,
    fresh: bool = True,
) -> Reading:
    """Return the reading of the last `window_ns` (None: all that is held) of every pool.

    Of a process without a probe, of what its threads look like from outside.

    `past` holds what was worked out of earlier seconds, which views draw and windows are made of.
    Without `fresh` what is judged of promises, stealing, deques, parking and queueing may be some
    seconds old: more than half of the work, for views that show none of it.
    """
    windows = windows_of(ledger, window_ns)
    if past is not None:
        windows = {
            number: (settled_begin(ledger.pools[number], begin, end), end)
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

        host = of_host() if past is None else past.cached("host", end, HOST_SECONDS, of_host)
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
        external_pools(ledger, window_ns),
    )


def _stranded(
    ledger: Ledger, windows: Mapping[int, tuple[int, int]], past: JobHistory | None
) -> Pairs:
    """Return what was stranded between pools while all of them were there."""
    begin = max(window[0] for window in windows.values())
    end = min(window[1] for window in windows.values())
    if past is not None:
        return past.stranded.pairs(begin, end)
    return stranded([ledger.pools[number] for number in windows], begin, end, ledger)


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
        held = Window(pool, begin_ns, end_ns).ordered()
        rates = rates_of(pool, ledger.host, held, begin_ns, end_ns)
        time = pool_time(pool, ledger.host, begin_ns, end_ns, held, rates)
        edges = edges_of(begin_ns, end_ns)
        slices = slice_times(pool, ledger.host, edges, held, rates)
        times = tuple(part.pool for part in slices)
        lengths = mean_lengths(pool, edges) if pool.kind != STEALING else ()
        slice_s = (end_ns - begin_ns) / len(times) / 1e9
    else:
        time = history.time(pool, ledger.host, begin_ns, end_ns)
        times, lengths, slice_s = history.times, history.queue_lengths, SECOND_NS / 1e9
    if time.by_category.min(initial=0) * CLOCKS_MAY_DIFFER < -time.recorded_ns:
        raise ValueError("the rows of a pool contradict each other")
    window_s = time.recorded_ns / 1e9
    sampled = time.counted_ns + time.thinned_ns > 0
    whole = not sampled and time.recorded_ns == end_ns - begin_ns
    steals = _steals(pool, begin_ns, end_ns)
    lifetimes = lifetimes_reading(pool, begin_ns, end_ns)
    tasks = task_reading(pool, begin_ns, end_ns, time, history, thinned=sampled)
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
        more = history.cached("judged", end_ns, 1 if fresh else SELDOM_SECONDS, judged)
    use = SchedulerUse.of(more)
    costs = scheduler_costs(time, steals, use)
    others = host_findings(time, lifetimes, of_pool(pool, host))
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
        thinned_s=time.thinned_ns / 1e9,
        thinning_error=time.error,
        steals=steals,
        hand_overs=hand_overs_reading(pool, begin_ns, end_ns),
        lifetimes=lifetimes,
        broken=pool.broken,
        inbox=pool.inbox,
        findings=findings(
            time.pool,
            pool.workers,
            window_s,
            lifetimes,
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


def _steals(pool: PoolLedger, begin_ns: int, end_ns: int) -> StealReading:
    return StealReading(pool.counts_between(begin_ns, end_ns))
