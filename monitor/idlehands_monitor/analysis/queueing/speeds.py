"""How fast each worker of a shared queue runs the same kinds of task as its siblings. Pure.

All workers of a pool with one queue take what comes next, so the tasks of a kind are alike for all
of them. In pools that steal they are not: a thief takes the large ones. Run times are compared by
their ranks, kind by kind, so neither single long tasks nor the mix of kinds matters: H. B. Mann,
D. R. Whitney 1947, with the probability of superiority as the effect size, as in `stats.rank_test`;
that module imports scipy, which takes longer than this comparison. Kinds are put together as strata
(P. H. van Elteren 1960, *Bull. Inst. Internat. Statist.* 37:351-361; from memory), each weighted by
the worker's tasks of that kind.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from idlehands.wire import FINISHED

from ...ledger.rows import Recent, kind_name
from ...model.workers import SpeedReading

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Float, Int64

LEAST_COMPARED = 20
"""Tasks of a kind that a worker and its siblings must have run each; common practice, no source."""


def slowest(pool: PoolLedger, begin_ns: int, end_ns: int) -> SpeedReading | None:
    """Return the worker that is slowest against its siblings, by the effect size.

    None for pools that steal, and where no kind has tasks enough of a worker and of its siblings.
    """
    if not pool.shared_queue:
        return None
    store = Recent(pool.tasks, begin_ns)
    chosen = (store["ended_ns"] > begin_ns) & (store["ended_ns"] <= end_ns)
    chosen &= (store["outcome"] == FINISHED) & (store["worker"] >= 0)
    chosen &= store["worker"] < pool.workers
    kinds, workers = store["kind"][chosen], store["worker"][chosen]
    calls = np.maximum(store["size"][chosen], 1)  # of one task, which may be a batch of calls
    run_ns = (store["ended_ns"] - store["started_ns"])[chosen] / calls
    strata = [
        _stratum(kind, workers[kinds == kind], run_ns[kinds == kind], pool.workers)
        for kind in np.unique(kinds).tolist()
    ]
    tasks = sum((one.tasks for one in strata), np.zeros(pool.workers, dtype=np.int64))
    if not tasks.any():
        return None
    compared = np.maximum(tasks, 1)
    superiority = sum(one.tasks * one.superiority for one in strata) / compared
    worker = int(np.where(tasks > 0, superiority, -1.0).argmax())
    own = [one for one in strata if one.tasks[worker]]
    weights = [int(one.tasks[worker]) for one in own]
    return SpeedReading(
        worker=worker,
        kind=kind_name(pool, max(own, key=lambda one: int(one.tasks[worker])).kind),
        tasks=sum(weights),
        others=sum(len(one.run_ns) - int(one.tasks[worker]) for one in own),
        slowdown=float(np.average([_slowdown(one, worker) for one in own], weights=weights)),
        superiority=float(superiority[worker]),
        error=math.hypot(*(one.tasks[worker] * one.error[worker] for one in own)) / sum(weights),
    )


class _Stratum(NamedTuple):
    """The tasks of one kind: the worker and the run time of each, and each worker's comparison.

    tasks: of each worker, 0 where it is not compared. superiority, error: as in
    `stats.rank_test.RankTest`, of each worker against all its siblings.
    """

    kind: int
    workers: Int64
    run_ns: Float
    tasks: Int64
    superiority: Float
    error: Float


def _stratum(kind: int, workers: Int64, run_ns: Float, most: int) -> _Stratum:
    """Compare the workers, whose indices are below `most`, by the ranks of their tasks."""
    _, place, counts = np.unique(run_ns, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2)[place]  # equal values share their mean rank
    tasks = np.bincount(workers, minlength=most)
    others = len(run_ns) - tasks
    pairs = np.maximum(tasks * others, 1)
    above = np.bincount(workers, weights=ranks, minlength=most) - tasks * (tasks + 1) / 2
    enough = (tasks >= LEAST_COMPARED) & (others >= LEAST_COMPARED)
    error = np.sqrt((len(run_ns) + 1) / (12 * pairs))
    return _Stratum(kind, workers, run_ns, np.where(enough, tasks, 0), above / pairs, error)


def _slowdown(stratum: _Stratum, worker: int) -> float:
    """Return the ratio of the medians of a worker and of its siblings."""
    own = stratum.workers == worker
    usual = float(np.median(stratum.run_ns[~own]))
    return float(np.median(stratum.run_ns[own])) / usual if usual else 1.0
