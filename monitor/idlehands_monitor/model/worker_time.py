"""The eight categories of worker time, and the time of a pool's workers in each."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from operator import attrgetter
from typing import TYPE_CHECKING

import numpy as np

from .arrays import Float, Int64
from .shares import Share
from .vocabulary import Category, CoreTimeSource, WaitReason

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class WorkerTime:
    """Nanoseconds in each of the eight categories, always in this order."""

    working: int = 0
    blocked: int = 0
    run_queue_wait: int = 0
    dispatch: int = 0
    searching: int = 0
    waking: int = 0
    starved: int = 0
    no_work: int = 0

    @property
    def total(self) -> int:
        """The sum of all categories: workers × window."""
        return self.working + self.blocked + self.run_queue_wait + self.dispatch + self.idle

    @property
    def idle(self) -> int:
        """Searching and parked time together."""
        return self.searching + self.waking + self.starved + self.no_work

    @property
    def worker_seconds(self) -> float:
        """All worker time in seconds, as in `SharesOfTime`."""
        return self.total / 1e9

    @property
    def shares(self) -> tuple[Share, ...]:
        """The share of each category, as in `SharesOfTime`; all 0 where there is no time."""
        values: tuple[int, ...] = VALUES(self)
        total = max(1, sum(values))
        return tuple(map(Share, CATEGORIES, [value / total for value in values]))

    def __add__(self, other: WorkerTime) -> WorkerTime:
        return WorkerTime(*(getattr(self, name) + getattr(other, name) for name in CATEGORIES))


CATEGORIES = tuple(Category)
VALUES = attrgetter(*(category.value for category in CATEGORIES))
FIRST_BETWEEN, FIRST_IDLE = (
    CATEGORIES.index(Category.DISPATCH),
    CATEGORIES.index(Category.SEARCHING),
)


@dataclass(frozen=True, eq=False)
class InTask:
    """The time in tasks of a window.

    by_kind: nanoseconds working, blocked and waiting in the run queue, shape (3, kinds + 1); the
    last column is for unknown kinds. samples: in how many samples a blocked worker waited for each
    `WaitReason`, shape (6, kinds + 1). joined_ns, declared_ns: recorded waits in which the worker
    did nothing else: joins with another task, and declared waits.
    """

    by_kind: Int64
    samples: Int64
    joined_ns: int = 0
    declared_ns: int = 0


def _sum_by_kind(tables: Sequence[Int64]) -> Int64:
    """Add tables, of which some may have more kinds; the last column is for unknown kinds."""
    total = np.zeros_like(max(tables, key=lambda table: table.shape[1]))
    for table in tables:
        known = table.shape[1] - 1
        total[:, :known] += table[:, :known]
        total[:, -1] += table[:, -1]
    return total


def nothing_in_task() -> InTask:
    """Return the time in tasks of an empty window."""
    return InTask(np.zeros((3, 1), dtype=np.int64), np.zeros((len(WaitReason), 1), dtype=np.int64))


@dataclass(frozen=True, eq=False)
class PoolTime:
    """Worker time of one pool over the recorded part of a window.

    `by_category`: nanoseconds, shape (8, workers), in the order of `CATEGORIES`. `recorded_ns` is
    the window less its holes. `counted_ns` is the part of which only the number of tasks is known,
    not in `by_category`. `thinned_ns` is the part whose figures are estimates; `error` is the
    standard error of its share of time in tasks. `core_time` says what splits working from
    blocked: kernel (schedstat), process (no run queue), tasks (only CPU times read with the
    tasks), assumed (tasks counted as working). `in_task` divides the time in tasks.
    `waited`: each worker's time in recorded waits, a part of blocked, shape (workers,).
    """

    by_category: Int64
    recorded_ns: int = 0
    core_time: CoreTimeSource = CoreTimeSource.ASSUMED
    counted_ns: int = 0
    thinned_ns: int = 0
    error: float = 0.0
    in_task: InTask = field(default_factory=nothing_in_task)
    waited: Int64 = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    @cached_property
    def pool(self) -> WorkerTime:
        """The sum over all workers."""
        return WorkerTime(*self.by_category.sum(axis=1).tolist())

    @cached_property
    def per_worker(self) -> tuple[WorkerTime, ...]:
        """Each worker's part; in each category the parts add up to `pool`."""
        return tuple(WorkerTime(*column) for column in self.by_category.T.tolist())

    @cached_property
    def idle_shares(self) -> Float:
        """Share of its time that each worker was idle, shape (workers,), NaN where it had none."""
        total = self.by_category.sum(axis=0)
        idle = self.by_category[FIRST_IDLE:].sum(axis=0)
        shares = np.full(len(total), np.nan)
        np.divide(idle, total, out=shares, where=total > 0)
        return shares

    def unwaited(self) -> Int64:
        """Return each worker's time in tasks outside recorded waits, shape (workers,)."""
        inside: Int64 = self.by_category[:FIRST_BETWEEN].sum(axis=0)
        return inside - padded(self.waited, len(inside))


def summed(parts: Sequence[PoolTime]) -> PoolTime:
    """Return the worker time of adjacent windows together; some may have more workers or kinds."""
    by_category = np.zeros_like(max((part.by_category for part in parts), key=np.size))
    waited = np.zeros(by_category.shape[1], dtype=np.int64)
    for part in parts:
        by_category[:, : part.by_category.shape[1]] += part.by_category
        waited[: len(part.waited)] += part.waited
    thinned = sum(part.thinned_ns for part in parts)
    error = math.hypot(*(part.error * part.thinned_ns for part in parts))
    return PoolTime(
        by_category,
        sum(part.recorded_ns for part in parts),
        max((part.core_time for part in parts), key=attrgetter("rank")),
        sum(part.counted_ns for part in parts),
        thinned,
        error / thinned if thinned else 0.0,
        InTask(
            _sum_by_kind([part.in_task.by_kind for part in parts]),
            _sum_by_kind([part.in_task.samples for part in parts]),
            sum(part.in_task.joined_ns for part in parts),
            sum(part.in_task.declared_ns for part in parts),
        ),
        waited,
    )


@dataclass(frozen=True, eq=False)
class WorkerSlices:
    """The worker time of each worker in equal slices of a window, oldest first.

    by_category: nanoseconds, shape (slices, 8, workers), in the order of `CATEGORIES`; no slices
    where they are not known.
    """

    by_category: Int64 = field(
        default_factory=lambda: np.zeros((0, len(CATEGORIES), 0), dtype=np.int64)
    )

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, WorkerSlices):
            return NotImplemented
        return np.array_equal(self.by_category, other.by_category)

    __hash__ = None  # type: ignore[assignment]

    def merged(self, most: int) -> WorkerSlices:
        """Return at most so many slices, each the sum of equally many; the last may be shorter."""
        slices = len(self.by_category)
        together = -(-slices // max(1, most))
        if together < 2:
            return self
        return WorkerSlices(np.add.reduceat(self.by_category, range(0, slices, together), axis=0))

    def shares(self, worker: int) -> Float:
        """Return one worker's share of each category, shape (slices, 8); NaN where it has no
        time."""
        part = self.by_category[:, :, worker].astype(np.float64)
        total = part.sum(axis=1, keepdims=True)
        return np.asarray(part / np.where(total > 0, total, np.nan))


def padded(values: Int64, length: int) -> Int64:
    """Return values of the given length: cut off, or filled up with zeros."""
    return np.concatenate([values, np.zeros(length, dtype=values.dtype)])[:length]


def no_time(workers: int) -> PoolTime:
    """Return the worker time of an empty window."""
    return PoolTime(np.zeros((len(CATEGORIES), workers), dtype=np.int64))


def in_task_ns(time: WorkerTime) -> int:
    """Return the nanoseconds in tasks: on a core, blocked, or waiting in the run queue."""
    return time.working + time.blocked + time.run_queue_wait
