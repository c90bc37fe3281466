"""From the ledger to a reading: one window, every pool, everything a view shows.

The only module that asks all the questions. Pure: the window and the state of the source are
handed in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ..ledger.detail import is_fully_recorded, step_at
from ..ledger.rows import MOST_LIVE_ROWS, MOST_ROWS, last_rows
from ..model.reading import PoolReading, Reading, StrandedReading
from ..model.scheduler import NO_DEQUES, SchedulerReading
from ..model.source import SkippedReading, SourceReading
from ..model.stealing import StealReading
from ..model.vocabulary import DETAIL_NAMES, PoolKind
from .deques.use import deques
from .external.pools import external_pools
from .graph.bounds import graph_reading
from .graph.graph import MOST_LIVE_TASKS, MOST_TASKS
from .host.host import host_readings, memory_lasts_s, of_pool
from .parking.parking import parking
from .queueing.flow import balance, queueing
from .queueing.speeds import slowest
from .queueing.tasks import hand_overs_reading, task_reading
from .stats.cache import FRESH
from .stealing.steals import stealing
from .time.blocked import blocked
from .time.job_history import DAMAGED
from .time.pool_times import PoolTimes, pool_times
from .time.stranded import stranded
from .time.workers import lifetimes_reading, worker_readings
from .verdicts.external_findings import with_external_findings
from .verdicts.findings import findings
from .verdicts.host_findings import host_findings
from .verdicts.never_steals import with_never_steals
from .verdicts.promises import promises
from .verdicts.scheduler_findings import SchedulerUse, scheduler_costs, scheduler_findings
from .verdicts.worker_findings import with_worker_findings
from .windows import marks_in, settled_begin, windows_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..ledger import Ledger, PoolLedger
    from ..model.blocked import BlockedReading
    from ..model.findings import Finding
    from ..model.host import HostReading
    from ..model.tasks import TaskReading
    from ..model.workers import LifetimesReading
    from .stats.cache import Ages
    from .time.history import PoolHistory
    from .time.job_history import JobHistory
    from .time.stranded import Pairs

CLOCKS_MAY_DIFFER = 1000
"""Negative worker time up to this share of a window is an error of the timestamps. Beyond it the
rows of a pool overlap, which is impossible for a pool that ran."""


@dataclass(frozen=True, slots=True)
class _Asked:
    """What the reading of one pool is made from: its window, its settled seconds if it is live, and
    figures of the job.

    host: the reading of every process. stranded_ns: how long the pool's workers were idle while
    tasks were queued in other pools.
    """

    ledger: Ledger
    pool: PoolLedger
    begin_ns: int
    end_ns: int
    history: PoolHistory | None = None
    host: tuple[HostReading, ...] = ()
    stranded_ns: float = 0.0

    @property
    def is_live(self) -> bool:
        return self.history is not None


@dataclass(frozen=True, slots=True)
class _Counts:
    """The counts of a window, and the figures that follow from them."""

    steals: StealReading
    lifetimes: LifetimesReading | None
    tasks: TaskReading
    blocked: BlockedReading | None
    findings: tuple[Finding, ...]


def read(
    ledger: Ledger,
    source: SourceReading,
    window_ns: int | None = None,
    history: JobHistory | None = None,
    ages: Ages = FRESH,
) -> Reading:
    """Return the reading of the last `window_ns` (None: all that is held) of every pool.

    The reading of an external process comes from samples of its threads.

    `history` holds the figures of settled seconds: views draw them, and windows are sums of them.
    `ages`: how old the parts of a live reading may be.
    """
    windows = windows_of(ledger, window_ns)
    if history is not None:
        windows = {
            number: (settled_begin(ledger.pools[number], begin, end), end)
            for number, (begin, end) in windows.items()
        }
    host = _host(ledger, windows, window_ns, history, ages.host)
    between = _stranded(ledger, windows, history) if windows else {}
    pools, contradictory = [], 0
    for number, window in windows.items():
        stranded_ns = sum(ns for (idle, _), ns in between.items() if idle == number)
        settled = history.pools.get(number) if history is not None else None
        asked = _Asked(ledger, ledger.pools[number], *window, settled, host, stranded_ns)
        try:
            pools.append(_pool(asked, ages))
        except DAMAGED:
            contradictory += 1
    if contradictory:
        why = SkippedReading("pools", "their rows contradict each other", contradictory)
        source = replace(source, skipped=(*source.skipped, why))
    pairs = sorted(between.items(), key=lambda pair: -pair[1])
    reading = Reading(
        source,
        tuple(pools),
        host,
        tuple(StrandedReading(*pair, ns / 1e9) for pair, ns in pairs),
        with_external_findings(external_pools(ledger, window_ns), host),
    )
    return replace(reading, marks=marks_in(ledger, reading.window_ns))


def _host(
    ledger: Ledger,
    windows: Mapping[int, tuple[int, int]],
    window_ns: int | None,
    history: JobHistory | None,
    age: int,
) -> tuple[HostReading, ...]:
    """Return what the host reported of the job's processes; of a live job at most `age` seconds
    old."""
    samples = ledger.samples
    held = list(windows.values()) or [ledger.requested(samples.first_ns, samples.latest_ns)]
    begin, end = min(window[0] for window in held), max(window[1] for window in held)
    if end < 0:
        return ()
    since = begin if window_ns is None else end - window_ns
    if history is None:
        return host_readings(ledger, since, end)
    return history.cached("host", end, age, lambda: host_readings(ledger, since, end))


def _stranded(
    ledger: Ledger, windows: Mapping[int, tuple[int, int]], history: JobHistory | None
) -> Pairs:
    """Return the time stranded between pools while all of them were open."""
    begin = max(window[0] for window in windows.values())
    end = min(window[1] for window in windows.values())
    if history is not None:
        return history.stranded.pairs(begin, end)
    return stranded([ledger.pools[number] for number in windows], begin, end, ledger)


def read_pool(ledger: Ledger, pool: PoolLedger, begin_ns: int, end_ns: int) -> PoolReading:
    """Return the reading of one pool between two timestamps, by itself.

    Raises one of `DAMAGED` where the rows contradict each other.
    """
    return _pool(_Asked(ledger, pool, begin_ns, end_ns), FRESH)


def _pool(asked: _Asked, ages: Ages) -> PoolReading:
    pool, begin_ns, end_ns = asked.pool, asked.begin_ns, asked.end_ns
    times = pool_times(asked.pool, asked.ledger.host, asked.begin_ns, asked.end_ns, asked.history)
    time = times.in_window
    if time.by_category.min(initial=0) * CLOCKS_MAY_DIFFER < -time.recorded_ns:
        raise ValueError("the rows of a pool contradict each other")
    steals = StealReading(pool.counts_between(begin_ns, end_ns))
    lifetimes = lifetimes_reading(pool, begin_ns, end_ns)
    tasks = task_reading(
        pool, begin_ns, end_ns, time, asked.history, ages.kinds, thinned=times.is_thinned
    )
    waited = blocked(time, pool.task_kinds)
    scheduler = _scheduler(asked, times, steals, tasks.finished, ages.judged)
    use = SchedulerUse.of(scheduler)
    costs = scheduler_costs(time, steals, use)
    others = host_findings(time, lifetimes, of_pool(pool, asked.host))
    others += scheduler_findings(time, steals, use, costs)
    found = findings(
        time.pool,
        pool.workers,
        time.recorded_ns / 1e9,
        lifetimes,
        others,
        waited,
        asked.stranded_ns,
        costs.searching,
        one_queue=pool.shared_queue,
        broken=pool.broken.rstrip("."),
        tasks=tasks,
    )
    counts = _Counts(steals, lifetimes, tasks, waited, found)
    return with_worker_findings(with_never_steals(_reading(asked, times, scheduler, counts)))


def _reading(
    asked: _Asked, times: PoolTimes, scheduler: SchedulerReading, counts: _Counts
) -> PoolReading:
    """Put the answers for one pool together."""
    pool, begin_ns, end_ns, time = asked.pool, asked.begin_ns, asked.end_ns, times.in_window
    window_s = time.recorded_ns / 1e9
    return PoolReading(
        name=pool.name,
        kind=pool.kind,
        number=pool.number,
        pid=pool.pid,
        workers=worker_readings(
            pool, time.per_worker, counts.steals, asked.history, begin_ns, end_ns
        ),
        history=times.slices,
        slice_s=times.slice_s,
        queue_lengths=times.queue_lengths,
        worker_slices=times.by_worker,
        lengths=times.lengths,
        begin_ns=begin_ns,
        end_ns=end_ns,
        window_s=window_s,
        unrecorded_s=(end_ns - begin_ns) / 1e9 - window_s,
        time=time.pool,
        core_time=time.core_time,
        tasks=counts.tasks,
        blocked=counts.blocked,
        detail=DETAIL_NAMES[step_at(pool, end_ns)],
        counted_s=time.counted_ns / 1e9,
        thinned_s=time.thinned_ns / 1e9,
        thinning_error=time.error,
        steals=counts.steals,
        hand_overs=hand_overs_reading(pool, begin_ns, end_ns),
        lifetimes=counts.lifetimes,
        broken=pool.broken,
        most_workers=pool.most_workers,
        inbox=pool.inbox,
        findings=counts.findings,
        lost_rows=pool.lost_rows,
        misuses=pool.misuses,
        closed=pool.closed_ns >= 0,
        promises=scheduler.promises,
        ends=scheduler.deques.ends,
        sizes=scheduler.deques.sizes,
        contention=scheduler.deques.contention,
        larger_steals=scheduler.deques.larger_steals,
        parking=scheduler.parking,
        graph=scheduler.graph,
        stealing=scheduler.stealing,
        queueing=scheduler.queueing,
        balance=scheduler.balance,
        slowest=scheduler.slowest,
        memory_lasts_s=memory_lasts_s(of_pool(pool, asked.host)),
    )


def _scheduler(
    asked: _Asked, times: PoolTimes, steals: StealReading, finished: int, age: int
) -> SchedulerReading:
    """Return the judged figures of the scheduler; of a live pool at most `age` seconds old."""
    if asked.history is None:
        return _judged(asked, times, steals, finished)
    return asked.history.cached(
        "judged", asked.end_ns, age, lambda: _judged(asked, times, steals, finished)
    )


def _judged(
    asked: _Asked, times: PoolTimes, steals: StealReading, finished: int
) -> SchedulerReading:
    pool, begin_ns, end_ns = asked.pool, asked.begin_ns, asked.end_ns
    time, live = times.in_window, asked.is_live
    recorded = not times.is_thinned and time.recorded_ns == end_ns - begin_ns
    use, parked = NO_DEQUES, None
    since = last_rows(pool.tasks, begin_ns, MOST_LIVE_ROWS if live else MOST_ROWS)
    if is_fully_recorded(pool, time, begin_ns, end_ns):
        parked = parking(pool, since, end_ns)
        if pool.kind == PoolKind.STEALING:
            use = deques(pool, begin_ns, end_ns, since)
    most = MOST_LIVE_TASKS if live else MOST_TASKS
    graph = graph_reading(pool, time, steals, begin_ns, end_ns, most)
    attempts = stealing(pool, steals, begin_ns, end_ns, whole=recorded, live=live)
    return SchedulerReading(
        promises=promises(pool, begin_ns, end_ns, graph, use, attempts),
        deques=use,
        parking=parked,
        graph=graph,
        stealing=attempts,
        queueing=queueing(pool, time, begin_ns, end_ns),
        balance=balance(time, finished),
        slowest=slowest(pool, since, end_ns),
    )
