"""The tasks of a window: counts, kinds, and who ran what whom had handed in."""

from __future__ import annotations

from dataclasses import dataclass

from .stealing import Matrix


@dataclass(frozen=True, slots=True)
class HandOverReading:
    """Who ran what whom had handed in, where all share one queue: these are no steals.

    matrix: tasks, one row a submitter (the first is outside the pool, then its workers), one
    column a worker that ran them; empty for pools that steal.
    """

    matrix: Matrix


@dataclass(frozen=True, slots=True)
class KindReading:
    """One kind of task in the window: how many ended, their summed and median run time.

    working_s, blocked_s, run_queue_wait_s: worker time that tasks of the kind took in the window,
    ended or not; over all kinds they add up to the pool's. failed: how many of those that ended
    raised. calls: what the tasks that ended held, more than these where calls are handed in by the
    batch. median_s: None where none ended.
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
class TaskReading:
    """Tasks in the window; queued is at its end. queue_wait: spawned to started, None where no
    task ended. per_s: finished tasks a second. calls: what the finished tasks held, see
    `KindReading`.

    lost: those whose worker died in them; moved: those that a worker of another pool took.
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

    @property
    def failed_share(self) -> float:
        """The share of finished tasks that failed, 0 where none finished."""
        return min(1.0, self.failed / self.finished) if self.finished else 0.0
