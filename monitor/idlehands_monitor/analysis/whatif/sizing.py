"""How many workers an open pool needs: its load, the growth of its queue, and a search by runs.

Pure. The waits by formula, the rates and the utilisation are those of the pool's `QueueingReading`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...ledger.queue_length import queued_at
from ...model.whatif import SizingReading
from ..stats.summary import summarise
from .program import Do
from .scenario import value_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from ...ledger import PoolLedger
    from ...model.arrays import Int64
    from ...model.queueing import QueueingReading
    from .scenario import Scenario

SLICES = 20
"""Parts of a window between which the length of the queue is compared; chosen."""
SIGNIFICANT = 2.539
"""The 99th percentile of Student's t with `SLICES` - 1 degrees of freedom."""


@dataclass(frozen=True, slots=True)
class Queue:
    """How many tasks were queued in a window. lengths: at its begin, the end of each slice.

    Shape (`SLICES` + 1,). window_s: from the first to the last of them, in seconds.
    """

    lengths: Int64
    window_s: float


@dataclass(frozen=True, slots=True)
class Supply:
    """What there is to run the tasks of a pool. cores: as many as the pool may use.

    core_s: seconds on a core that a task takes on average. locked_s: the part of core_s under an
    interpreter lock that all workers share, 0 where they share none.
    """

    cores: float
    core_s: float
    locked_s: float = 0.0

    def carries(self, rate: float) -> bool:
        """Whether cores and lock can run so many tasks a second with workers enough."""
        return rate * self.core_s < self.cores and rate * self.locked_s < 1


@dataclass(frozen=True, slots=True)
class Simulated:
    """What simulated runs say of a pool: see the fields of `SizingReading` with these names."""

    simulated_wait_s: float | None = None
    wanted_p95_s: float | None = None
    workers: int | None = None


NOT_SIMULATED = Simulated()


def queue_over(pool: PoolLedger, begin_ns: int, end_ns: int) -> Queue:
    """Return the length of a pool's queue over a window in which no row was lost or thinned."""
    edges = np.linspace(begin_ns, end_ns, SLICES + 1).astype(np.int64).tolist()
    lengths = np.array([queued_at(pool, edge) for edge in edges], dtype=np.int64)
    return Queue(lengths, (end_ns - begin_ns) / 1e9)


def sizing(
    found: QueueingReading,
    queue: Queue,
    supply: Supply,
    simulated: Simulated = NOT_SIMULATED,
    *,
    spawning: bool = False,
) -> SizingReading:
    """Return how many workers a pool needs. `spawning`: whether tasks hand in other tasks.

    No formula of waits holds then, as arrivals are not independent; nor without a steady state.
    """
    grows = growth(queue)
    grows_per_s = grows.per_s if grows.significant else 0.0
    carried = supply.carries(found.arrival_rate) and found.mmc_wait_s != math.inf
    holds = carried and not spawning
    wanted_s = simulated.wanted_p95_s
    hurts = None
    if wanted_s is not None:  # what comes and does not make the queue longer has begun
        begun_per_s = found.arrival_rate - grows.per_s
        hurts = hurts_in_s(int(queue.lengths[-1]), grows_per_s, begun_per_s, wanted_s)
    return SizingReading(
        utilisation=found.utilisation,
        wait_s=found.mean_queue_wait_s,
        simulated_wait_s=simulated.simulated_wait_s,
        mmc_wait_s=found.mmc_wait_s if holds else None,
        allen_cunneen_wait_s=found.allen_cunneen_wait_s if holds else None,
        least_workers=least_workers(found.arrival_rate, found.mean_service_s, supply),
        wanted_p95_s=wanted_s,
        workers=simulated.workers,
        growth_per_s=grows_per_s,
        backlog_hurts_in_s=hurts,
    )


def least_workers(rate: float, task_s: float, supply: Supply) -> int | None:
    """Return the fewest workers at which the queue does not grow without end.

    These are more than the offered load, `rate` tasks a second of `task_s` worker seconds each; at
    exactly the load a queue of random arrivals still grows. None where cores or lock cannot carry
    the tasks, so that more workers do not help. Raises ValueError for a rate or time below 0.
    """
    if rate < 0 or task_s < 0:
        raise ValueError(f"{rate} tasks a second of {task_s} s: neither may be below 0")
    return math.floor(rate * task_s) + 1 if supply.carries(rate) else None


@dataclass(frozen=True, slots=True)
class Growth:
    """By how many tasks a queue grows each second, with its standard error, both per second."""

    per_s: float
    error_per_s: float

    @property
    def significant(self) -> bool:
        """Whether the queue grows, and not by chance, at 99 % confidence."""
        return self.per_s > SIGNIFICANT * self.error_per_s


def growth(queue: Queue) -> Growth:
    """Return the mean growth of the queue over the slices of a window, and its error.

    While all workers are busy the length of a queue is a random walk: a line fitted to lengths over
    time takes chance for growth. What the walk adds in one slice depends little on what it adds in
    another, so these can be compared with their own spread (ours, no source). Measured with 300
    windows of M/M/1, each 400 mean run times from an empty queue on: a load of 0.9 grew in none of
    them (by the error of least squares in 27 %), a load of 1 in 3 % (in 58 %).
    """
    added, slice_s = summarise(np.diff(queue.lengths)), queue.window_s / SLICES
    return Growth(added.mean / slice_s, added.deviation / math.sqrt(SLICES) / slice_s)


def hurts_in_s(queued: int, growth_per_s: float, begun_per_s: float, wait_s: float) -> float | None:
    """Return the seconds until a growing backlog alone lets a task wait for `wait_s`.

    A task waits until all those before it have begun, `begun_per_s` of them each second. 0 where it
    does already, None for a queue that does not grow.
    """
    if growth_per_s <= 0:
        return None
    return max(0.0, (wait_s * begun_per_s - queued) / growth_per_s)


def fewest_workers(
    value_of: Callable[[int], float], wanted: float, least: int, most: int
) -> int | None:
    """Return the fewest workers from `least` to `most` whose value is at most `wanted`.

    None where not even the most tried reach it. Values must fall as workers are added, but for
    noise: then the one returned reached it and one fewer, if tried, did not. Steps from `least`
    double until a value is low enough, then the last step is halved: the d-th number is found with
    2 log2(d) + 2 values at most, and none is asked for twice. NaN is never low enough. Raises
    ValueError for no numbers to try.
    """
    if not 1 <= least <= most:
        raise ValueError(f"there are no numbers of workers from {least} to {most}")
    missed, workers, step = least - 1, least, 1
    while not value_of(workers) <= wanted:
        if workers == most:
            return None
        missed, workers, step = workers, min(most, workers + step), 2 * step
    reached = workers
    while reached - missed > 1:
        middle = (missed + reached) // 2
        if value_of(middle) <= wanted:
            reached = middle
        else:
            missed = middle
    return reached


MOST_WORKERS = 256


def supply_of(scenario: Scenario) -> Supply:
    """Return what a scenario's pool has to run its tasks."""
    core = locked = 0
    for steps in scenario.program.steps:
        for do, number in steps:
            core += number if do in (Do.CORE, Do.LOCKED) else 0
            locked += number if do == Do.LOCKED else 0
    tasks, machine = max(1, len(scenario.kinds)), scenario.machine
    locked_s = locked / tasks / 1e9 if machine.one_lock else 0.0
    return Supply(machine.cores, core / tasks / 1e9, locked_s)


def sized_by_runs(scenario: Scenario, recorded_s: float, wanted_s: float | None) -> Simulated:
    """Return what simulated runs of an open pool say; `recorded_s`: its 95th percentile.

    Values are scaled so that the run as it was comes out.
    """
    outcome = scenario.run()
    outside = scenario.program.from_outside()
    waits = [outcome.began_ns[task] - outcome.came_ns[task] for task in outside]
    wait_s = sum(waits) / max(1, len(waits)) / 1e9
    if wanted_s is None:
        return Simulated(wait_s)
    scale = recorded_s / max(1e-9, value_of(scenario, outcome))

    def value(workers: int) -> float:
        changed = scenario.with_workers(workers)
        return scale * value_of(changed, changed.run())

    return Simulated(wait_s, wanted_s, fewest_workers(value, wanted_s, 1, MOST_WORKERS))
