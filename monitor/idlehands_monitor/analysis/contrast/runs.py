"""What is kept of each capture to compare it with others: its reading, and rows to be tested.

Pure. Pools of one name in one job (made again for each batch, or one a process) are one pool here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import Recent, kind_name, own_ns, ran_to_end

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ...ledger import PoolLedger
    from ...model.arrays import Float, Int64
    from ...model.reading import PoolReading, Reading
    from ...model.whatif import Arrivals

MOST_LENGTHS = 20_000
"""So many calls of a kind are kept, evenly picked: a rank test of more finds no other effect."""
MOST_KINDS = 256
"""So many kinds of a pool are compared, those with most tasks."""
MOST_RESAMPLED = 2_000
"""So many of these are resampled for an interval."""


@dataclass(frozen=True, eq=False)
class OutsideTasks:
    """The tasks from outside that began and ended in a window, in the order in which they came.

    calls: how many calls they hold. scale: tasks that ended / rows, above 1 where the record was
    thinned.
    """

    came_ns: Int64
    ended_ns: Int64
    calls: int
    scale: float = 1.0


@dataclass(frozen=True, eq=False)
class PoolRun:
    """One pool in one capture.

    lengths_s: by kind, the time of a call of its ended tasks, in the order in which they ended.
    arrivals: how its tasks came, None where none came from outside. rate: tasks from outside that
    ended in a second; p95_s: 95th percentile of their time from hand-in to end; both None without
    any.
    """

    name: str
    readings: tuple[PoolReading, ...]
    lengths_s: Mapping[str, Float]
    outside: OutsideTasks
    arrivals: Arrivals | None = None
    rate: float | None = None
    p95_s: float | None = None

    @property
    def in_task_ns(self) -> int:
        """The worker time in tasks."""
        return sum(reading.in_task_ns for reading in self.readings)

    @property
    def finished(self) -> int:
        """How many tasks ended."""
        return sum(reading.tasks.finished for reading in self.readings)


@dataclass(frozen=True, eq=False)
class Run:
    """One capture. is_whole: it holds its job from the first task to the last."""

    reading: Reading
    pools: Mapping[str, PoolRun] = field(default_factory=dict)
    is_whole: bool = False

    @property
    def length_s(self) -> float | None:
        """From the first hand-in to the last end, None where no task from outside ended."""
        outside = [pool.outside for pool in self.pools.values() if len(pool.outside.came_ns)]
        if not outside:
            return None
        first = min(int(one.came_ns.min()) for one in outside)
        last = max(int(one.ended_ns.max()) for one in outside)
        return (last - first) / 1e9


def outside_tasks(pool: PoolLedger, reading: PoolReading) -> OutsideTasks:
    """Return the tasks from outside of a pool over the window of its reading.

    Of tasks that were queued before the window the wait counts from its begin.
    """
    store = Recent(pool.tasks, reading.begin_ns)
    ran = (store["started_ns"] >= reading.begin_ns) & (store["ended_ns"] <= reading.end_ns)
    ran &= ran_to_end(store["outcome"])
    outside = np.flatnonzero(ran & (store["parent"] < 0))
    came = np.maximum(store["spawned_ns"][outside], reading.begin_ns)
    ended = store["ended_ns"][outside]
    order = np.argsort(came, kind="stable")
    calls = len(outside)
    if pool.shared_queue:  # otherwise the size is a hint in a unit of the job's own
        calls = int(np.maximum(store["size"][outside], 1).sum())
    rows = int(np.count_nonzero(ran))
    is_thinned = reading.thinned_s + reading.counted_s > 0
    scale = reading.tasks.finished / rows if is_thinned and rows else 1.0
    return OutsideTasks(came[order], ended[order], calls, scale)


def together(parts: list[OutsideTasks]) -> OutsideTasks:
    """Return the tasks of several pools as those of one."""
    came = np.concatenate([part.came_ns for part in parts])
    order = np.argsort(came, kind="stable")
    rows = max(1, len(came))
    return OutsideTasks(
        came[order],
        np.concatenate([part.ended_ns for part in parts])[order],
        sum(part.calls for part in parts),
        sum(part.scale * len(part.came_ns) for part in parts) / rows if len(came) else 1.0,
    )


def lengths_by_kind(pool: PoolLedger, reading: PoolReading) -> dict[str, Float]:
    """Return the time of a call of each ended task by kind, in seconds, ordered by the ends.

    Waits in which the worker ran other tasks are left out.
    """
    store = Recent(pool.tasks, reading.begin_ns)
    ran = (store["ended_ns"] > reading.begin_ns) & (store["ended_ns"] <= reading.end_ns)
    ran &= ran_to_end(store["outcome"])
    own = own_ns(pool, store, ran) / 1e9
    if pool.shared_queue:
        own = own / np.maximum(store["size"][ran], 1)
    kinds = store["kind"][ran]
    order = np.lexsort((store["ended_ns"][ran], kinds))
    if not len(order):
        return {}
    parts = np.split(order, np.flatnonzero(np.diff(kinds[order])) + 1)
    largest = sorted(parts, key=len)[-MOST_KINDS:]
    return {kind_name(pool, int(kinds[one[0]])): thinned(own[one], MOST_LENGTHS) for one in largest}


def thinned(values: Float, most: int) -> Float:
    """Return at most `most` of the values, evenly picked, in their order."""
    if len(values) <= most:
        return values
    return values[np.linspace(0, len(values) - 1, most).astype(np.int64)]
