"""What the theory says of a whole computation, beside what its run took: time, and steals.

Pure. On P workers no schedule takes less than T1/P (the work law) or T∞ (the span law), and no
greedy one more than (T1 - T∞)/P + T∞ (R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581; T. H.
Cormen, C. E. Leiserson, R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition, section
27.1).

Looks: of a fully strict computation whose thieves choose victims at random, O(P·T∞) are expected,
with T∞ in units of the time of one look (R. D. Blumofe, C. E. Leiserson 1999, J. ACM
46(5):720-748). That is of an expectation and holds up to a constant, which N. S. Arora, R. D.
Blumofe, C. G. Plaxton 1998, SPAA '98:119-129, bring down to `EXPECTED_SHARE`; so one run may
exceed it, and it is no promise that one run could break. Its thieves never park: ours look less.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.graph import GraphReading, StealBoundReading
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
    """Return work, span and their bounds of what ran wholly in a window, None where nothing did
    or more than `most` tasks.

    `time` and `steals` are those of the window.
    """
    graph = task_graph(pool, begin_ns, end_ns, most)
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
    )
    if not (reading.whole and reading.at_once):
        return reading
    return replace(reading, steals=steal_bound(graph, workers, time.pool.searching, steals))


def steal_bound(
    graph: TaskGraph, workers: int, searching_ns: int, steals: StealReading
) -> StealBoundReading | None:
    """Return the looks beside P·T∞, None without looks or time that they took."""
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
