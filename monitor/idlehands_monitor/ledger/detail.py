"""The detail that a probe had given up at which time, and what its running totals count. Pure.

While a probe thins its record, each row stands for `THINNING_FACTOR` tasks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import THINNING_FACTOR

from ..model.arrays import Int64
from ..model.vocabulary import DetailStep
from ..model.worker_time import PoolTime
from .rows import Recent, ran_to_end

if TYPE_CHECKING:
    from collections.abc import Iterable

    from .pool import PoolLedger


def step_at(pool: PoolLedger, timestamp_ns: int) -> DetailStep:
    """Return the step of detail at a timestamp."""
    step = 0
    for at_ns, turned_to in pool.steps:
        if at_ns <= timestamp_ns:
            step = turned_to
    return DetailStep(min(step, DetailStep.TOTALS))


def parts(pool: PoolLedger, begin_ns: int, end_ns: int) -> Iterable[tuple[int, int, int]]:
    """Yield (begin, end, step) of the parts of a stretch, with one step of detail in each."""
    low, step = begin_ns, int(step_at(pool, begin_ns))
    for at_ns, turned_to in pool.steps:
        if low < at_ns < end_ns and (turned_to >= DetailStep.THINNED or step >= DetailStep.THINNED):
            yield low, at_ns, step
            low = at_ns
        if at_ns < end_ns:
            step = turned_to if at_ns > begin_ns else step
    if low < end_ns:
        yield low, end_ns, step


def weights(pool: PoolLedger, store: Recent) -> Int64:
    """Return how many tasks each row of `store`, from the task table, stands for, shape (rows,)."""
    weight = np.ones(len(store["task"]), dtype=np.int64)
    if pool.thinned_by in pool.tasks.table.names:
        timestamps = store[pool.thinned_by]
        edges = [*pool.steps, (int(np.iinfo(np.int64).max), 0)]
        for (at_ns, step), (until_ns, _) in zip(edges, edges[1:], strict=False):
            if step == DetailStep.THINNED:
                weight[(timestamps >= at_ns) & (timestamps < until_ns)] = THINNING_FACTOR
    return weight


def _before(pool: PoolLedger, begin_ns: int, until_ns: int) -> Int64:
    """Return an estimate of the tasks (run, handed in) before the first total arrived.

    A monitor that attaches late has rows of that time, and each stands for a number of tasks.
    """
    store = Recent(pool.tasks, begin_ns)
    weight = weights(pool, store)
    ran = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= until_ns)
    ran &= ran_to_end(store["outcome"])
    spawned = (store["spawned_ns"] > begin_ns) & (store["spawned_ns"] <= until_ns)
    return np.array([weight[ran].sum(), weight[spawned].sum()], dtype=np.int64)


def tasks_run(pool: PoolLedger, begin_ns: int, end_ns: int) -> tuple[int, int]:
    """Return the tasks (run, handed in) between two timestamps, from the running totals.

    A closed pool runs nothing more, so its last total, sent a little later, is exact.
    """
    if not pool.totals:
        return 0, 0
    table = np.array(pool.totals, dtype=np.int64)
    if begin_ns <= pool.declared_ns:
        first = np.zeros(2)
    else:
        first = np.array([np.interp(begin_ns, table[:, 0], table[:, c]) for c in (1, 2)])
        first -= _before(pool, begin_ns, int(table[0, 0]))
    if 0 <= pool.closed_ns <= end_ns:
        end_ns = int(table[-1, 0])
    last = [np.interp(end_ns, table[:, 0], table[:, c]) for c in (1, 2)]
    run, spawned = (round(float(value)) for value in last - first)
    return run, spawned


def is_fully_recorded(pool: PoolLedger, time: PoolTime, begin_ns: int, end_ns: int) -> bool:
    """Return whether every task of a window left a row: no rows were lost, no record thinned."""
    thinned = any(step >= DetailStep.THINNED for at_ns, step in pool.steps if at_ns < end_ns)
    return not thinned and time.recorded_ns >= end_ns - begin_ns
