"""Bounds of theory on a whole computation, for time and steal attempts, beside those measured.

Pure. On P workers no schedule takes less than T1/P (the work law) or T∞ (the span law), and no
greedy schedule more than (T1 - T∞)/P + T∞ (R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581; T.
H. Cormen, C. E. Leiserson, R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition, section
27.1).

Steal attempts: a fully strict computation whose thieves choose victims at random has O(P·T∞) of
them in expectation, with T∞ in units of the time of one attempt (R. D. Blumofe, C. E. Leiserson
1999, J. ACM 46(5):720-748). N. S. Arora, R. D. Blumofe, C. G. Plaxton 1998, SPAA '98:119-129, show
a constant of `EXPECTED_SHARE`. This bounds an expectation, so one run may exceed it and breaks no
promise by that. Thieves in the theory never park, so real ones make fewer attempts.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...ledger.detail import is_fully_recorded
from ...model.graph import GraphReading, StealBoundReading
from .critical_reading import critical_reading
from .graph import MOST_TASKS, task_graph

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.stealing import StealReading
    from ...model.worker_time import PoolTime
    from .graph import TaskGraph


def graph_reading(
    pool: PoolLedger,
    time: PoolTime,
    steals: StealReading,
    begin_ns: int,
    end_ns: int,
    most: int = MOST_TASKS,
) -> GraphReading | None:
    """Return work, span and bounds of the tasks that ran entirely in a window.

    None without such a task, or with more than `most`. `time` and `steals` are those of the window.
    """
    recorded = is_fully_recorded(pool, time, begin_ns, end_ns)
    graph = task_graph(pool, begin_ns, end_ns, most, recorded=recorded)
    if graph is None:
        return None
    workers = max(1, pool.workers)
    reading = GraphReading(
        tasks=graph.tasks,
        workers=workers,
        work_s=graph.work_ns / 1e9,
        span_s=graph.span_ns / 1e9,
        parallelism=graph.parallelism,
        work_law_s=graph.work_ns / workers / 1e9,
        measured_s=(graph.ended_ns - graph.began_ns) / 1e9,
        greedy_bound_s=graph.greedy_bound_ns(workers) / 1e9,
        last_root_s=(graph.last_root_ns - graph.began_ns) / 1e9,
        whole=graph.whole,
        missing=graph.missing,
        critical=critical_reading(pool, graph.arrays) if graph.arrays is not None else None,
    )
    if not (reading.whole and reading.at_once):
        return reading
    return replace(reading, steals=steal_bound(graph, workers, time.pool.searching, steals))


def steal_bound(
    graph: TaskGraph, workers: int, searching_ns: int, steals: StealReading
) -> StealBoundReading | None:
    """Return the steal attempts beside P·T∞, None without attempts or without searching time."""
    attempts = steals.attempts_total
    if not attempts or searching_ns <= 0 or not graph.span_ns:
        return None
    attempt_ns = searching_ns / attempts
    unit_span = graph.span_ns / attempt_ns
    bound = workers * unit_span
    return StealBoundReading(
        attempts=attempts,
        hits=steals.hits_total,
        attempt_s=attempt_ns / 1e9,
        unit_span=unit_span,
        bound=bound,
        share=attempts / bound,
    )
