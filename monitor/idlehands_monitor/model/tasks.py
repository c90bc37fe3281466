"""The tasks of a window: counts, kinds, and hand-overs. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from .stealing import Matrix


@dataclass(frozen=True, slots=True)
class HandOverReading:
    """Which worker ran the tasks of which submitter, where all share one queue: not steals.

    matrix: numbers of tasks, one row a submitter (the first row: outside the pool, then the pool's
    workers), one column a worker that ran them; empty for pools that steal.
    """

    matrix: Matrix


@dataclass(frozen=True, slots=True)
class KindReading:
    """One kind of task in the window: how many ended, and their summed and median run time.

    working_s, blocked_s, run_queue_wait_s: worker time of tasks of the kind in the window, ended or
    not; over all kinds they add up to the pool's. failed: how many of the ended tasks raised.
    calls: function calls in the ended tasks, more than the tasks where one task is a batch of
    calls. median_s: None where none ended.
    """

    kind: str
    finished: int
    total_s: float
    median_s: float | None
    stolen: int
    working_s: float = 0.0
    blocked_s: float = 0.0
    run_queue_wait_s: float = 0.0
    failed: int = 0
    calls: int = 0


@dataclass(frozen=True, slots=True)
class RaisedReading:
    """Tasks of one kind that raised an exception of one class, by its name; "" where not known.

    tasks: those that the probe recorded: where it recorded only some of the tasks, some of them.
    """

    kind: str
    error: str
    tasks: int


@dataclass(frozen=True, slots=True)
class TaskReading:
    """Tasks in the window; queued and running are at its end.

    median_queue_wait_s: from spawn to start, None where no task ended. per_s: finished tasks a
    second. calls: function calls in the finished tasks, see `KindReading`. lost: tasks whose worker
    died in them. moved: tasks that a worker of another pool took. raised: which exceptions ended
    tasks, the most frequent first; empty where the pool does not report them. p95_queue_wait_s: the
    95th percentile of the same wait. median_run_s, p95_run_s: from start to end; None as above.
    """

    finished: int
    failed: int
    cancelled: int
    spawned: int
    queued: int
    running: int
    median_queue_wait_s: float | None
    kinds: tuple[KindReading, ...]
    lost: int = 0
    moved: int = 0
    per_s: float = 0.0
    calls: int = 0
    raised: tuple[RaisedReading, ...] = ()
    p95_queue_wait_s: float | None = None
    median_run_s: float | None = None
    p95_run_s: float | None = None

    @property
    def failed_share(self) -> float:
        """The share of finished tasks that failed, 0 where none finished."""
        return min(1.0, self.failed / self.finished) if self.finished else 0.0
