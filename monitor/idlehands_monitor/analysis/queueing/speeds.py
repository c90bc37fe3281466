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
from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import FINISHED

from ...ledger.rows import Recent, kind_name
from ...model.workers import SpeedReading

if TYPE_CHECKING:
    from collections.abc import Iterator

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
    kinds, workers = store["kind"][chosen], store["worker"][chosen]
    calls = np.maximum(store["size"][chosen], 1)  # of one task, which may be a batch of calls
    run_ns = (store["ended_ns"] - store["started_ns"])[chosen] / calls
    spent: dict[int, list[_Stratum]] = {}
    for kind in np.unique(kinds).tolist():
        of_kind = kinds == kind
        for worker, one in _of_kind(kind, workers[of_kind], run_ns[of_kind]):
            spent.setdefault(worker, []).append(one)
    readings = (_together(pool, worker, strata) for worker, strata in spent.items())
    return max(readings, key=lambda one: one.superiority, default=None)


class _Stratum:
    """One worker's tasks of one kind against its siblings'.

    tasks, others: how many. superiority, error: as in `stats.rank_test.RankTest`. slowdown: ratio
    of the medians.
    """

    def __init__(self, kind: int, own: Float, others: Float, ranks: float) -> None:
        self.kind, self.tasks, self.others = kind, len(own), len(others)
        pairs = self.tasks * self.others
        self.superiority = (ranks - self.tasks * (self.tasks + 1) / 2) / pairs
        self.error = math.sqrt((self.tasks + self.others + 1) / (12 * pairs))
        usual = float(np.median(others))
        self.slowdown = float(np.median(own)) / usual if usual else 1.0


def _of_kind(kind: int, workers: Int64, run_ns: Float) -> Iterator[tuple[int, _Stratum]]:
    """Yield each worker that ran tasks enough of a kind, if its siblings did too."""
    _, place, counts = np.unique(run_ns, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2)[place]  # equal values share their mean rank
    for worker in np.unique(workers).tolist():
        own = workers == worker
        tasks = int(np.count_nonzero(own))
        if tasks >= LEAST_COMPARED and len(own) - tasks >= LEAST_COMPARED:
            yield worker, _Stratum(kind, run_ns[own], run_ns[~own], float(ranks[own].sum()))


def _together(pool: PoolLedger, worker: int, strata: list[_Stratum]) -> SpeedReading:
    tasks = sum(one.tasks for one in strata)
    most = max(strata, key=lambda one: one.tasks)

    def mean(name: str) -> float:
        return sum(one.tasks * float(getattr(one, name)) for one in strata) / tasks

    return SpeedReading(
        worker=worker,
        kind=kind_name(pool, most.kind),
        tasks=tasks,
        others=sum(one.others for one in strata),
        slowdown=mean("slowdown"),
        superiority=mean("superiority"),
        error=math.sqrt(sum((one.tasks * one.error) ** 2 for one in strata)) / tasks,
    )
