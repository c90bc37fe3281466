"""A work-stealing pool of threads that reports every step to the probe.

Each worker has a deque: it pushes and pops the newest task, thieves take the oldest, and
victims are drawn uniformly at random (R. D. Blumofe, C. E. Leiserson 1999, "Scheduling
multithreaded computations by work stealing", J. ACM 46(5):720-748). Tasks from outside
arrive through an inbox. The pool keeps counts of its own, which do not pass through the
probe, so that the two can be compared.
"""

from __future__ import annotations

import threading
import time
from types import TracebackType
from typing import Any, Callable, TypeVar

import idlehands

from .deques import Inbox, make_deques
from .parking import Sleepers
from .switches import Switches
from .task import Task
from .worker import Worker, contended, current_worker

T = TypeVar("T")


class WorkStealingPool:
    """A pool of `workers` threads called `name`; a context manager that shuts itself down.

    `seed` fixes the victims each worker draws (not the order of events among threads).
    `switches` breaks chosen promises of the scheduler, see `Switches`. `twin` is the pool it
    has been paired with, see `pair`. Raises
    `ValueError` for fewer than one worker, and what the probe raises when a pool of that
    name is open already.
    """

    def __init__(
        self,
        workers: int = 8,
        name: str = "tide-archive",
        seed: int | None = None,
        switches: Switches | None = None,
    ) -> None:
        if workers < 1:
            raise ValueError(f"a pool needs at least one worker, not {workers}")
        self.workers = workers
        self.name = name
        self.switches = switches or Switches()
        self.twin: WorkStealingPool | None = None
        self.probe = idlehands.declare_pool(name, workers, kind="work-stealing", contention=True)
        self.inbox = Inbox()
        self.deques = make_deques(workers, self.switches, contended)
        self.sleepers = Sleepers()
        self.cancelling = False
        self._closing = False
        self._outside = threading.Lock()
        self._submitted = 0
        self._cancelled = 0
        self._present = workers
        self._workers = [Worker(self, index, own, seed) for index, own in enumerate(self.deques)]
        self.probe.expose_depths(self.deque_depths)
        for worker in self._workers:
            worker.thread.start()

    def submit(
        self, function: Callable[..., T], *args: Any, kind: str | None = None, size: int = -1
    ) -> Task[T]:
        """Put a task into the inbox, from a thread outside the pool.

        `kind` names the task in a profile (the function's name without it), `size` counts
        its items, -1 if unknown. Raises `RuntimeError` after `shutdown` or when called by
        a worker of this pool, which has `spawn` for that.
        """
        if self._own_worker() is not None:
            raise RuntimeError("a task makes new tasks with spawn, not with submit")
        task = Task(self, function, args, kind, size)
        with self._outside:
            if self._closing:
                raise RuntimeError(f"pool {self.name!r} is shut down")
            task.token = self.probe.spawned(task.kind, size)
            self._submitted += 1
            self.inbox.put(task)
        self.sleepers.wake_one(-1)
        return task

    def spawn(
        self, function: Callable[..., T], *args: Any, kind: str | None = None, size: int = -1
    ) -> Task[T]:
        """Push a task on the own deque, from inside a task of this pool.

        Arguments as for `submit`. Raises `RuntimeError` in any other thread.
        """
        worker = self._own_worker()
        if worker is None:
            raise RuntimeError("spawn belongs inside a task; from outside use submit")
        task = Task(worker.pool, function, args, kind, size)
        worker.spawn(task)
        return task

    def sleep(self, seconds: float) -> None:
        """Wait `seconds` for something outside the pool, known to the probe as waiting."""
        worker = self._own_worker()
        if worker is None:
            time.sleep(seconds)
            return
        worker.probe.waiting()
        try:
            time.sleep(seconds)
        finally:
            worker.probe.resumed()

    def shutdown(self, wait: bool = True, cancel: bool = False) -> None:
        """Take no more submissions; run what is queued or, with `cancel`, cancel it.

        Running tasks are finished either way. With `wait` it returns when every worker
        has ended. Raises `RuntimeError` when a worker of this pool would wait for itself.
        """
        if wait and self._own_worker() is not None:
            raise RuntimeError("a task cannot wait for the end of its own pool")
        with self._outside:
            self._closing = True
            self.cancelling = self.cancelling or cancel
        if cancel:
            self._cancel_queued()
        self.sleepers.wake_all(-1)
        if wait:
            for worker in self._workers:
                worker.thread.join()

    def __enter__(self) -> WorkStealingPool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.shutdown(wait=True, cancel=error is not None)

    def _cancel_queued(self) -> None:
        queued = [self.inbox.take, *(own.take_any for own in self.deques)]
        for take in queued:
            while (task := take()) is not None:
                self.probe.cancelled(task.token)
                with self._outside:
                    self._cancelled += 1
                task.cancel(-1)

    @staticmethod
    def current_worker() -> Worker | None:
        """Return the worker whose thread calls, of whichever pool, or None."""
        return current_worker()

    def _own_worker(self) -> Worker | None:
        """Return the calling worker, of this pool or, inside an adopted task, of its twin."""
        worker = current_worker()
        return worker if worker is not None and worker.pool in (self, self.twin) else None

    # What the workers ask and report.

    @property
    def drained(self) -> bool:
        """Whether the pool is closing and no task is queued or running any more."""
        if not self._closing:
            return False
        # Settled is summed first. Both only grow and a task is made before it settles,
        # so equality means that nothing was left when the first sum was complete.
        settled = self._cancelled + self.tasks_moved
        settled += sum(w.counts.finished + w.counts.cancelled for w in self._workers)
        return settled == self.tasks_spawned

    def task_settled(self, by: int) -> None:
        """Note that worker `by` has settled a task; the last task of a closing pool wakes all."""
        if self._closing and self.drained:
            self.sleepers.wake_all(by)

    def pass_wake_on(self, by: int) -> None:
        """Wake a parked worker in the name of worker `by` if any task is queued."""
        if self.inbox or any(self.deques):
            self.sleepers.wake_one(by)

    def worker_left(self) -> None:
        """Note that a worker has ended; the last one closes the probe."""
        with self._outside:
            self._present -= 1
            last = self._present == 0
        if last:
            self.probe.close()

    # Counts.

    @property
    def tasks_spawned(self) -> int:
        """Tasks made so far, from outside and by tasks, or taken out of the twin."""
        return self._submitted + sum(w.counts.spawned + w.counts.adopted for w in self._workers)

    @property
    def tasks_moved(self) -> int:
        """Tasks that workers of the twin have taken out of this pool."""
        if self.twin is None:
            return 0
        return sum(w.counts.adopted for w in self.twin._workers)

    @property
    def tasks_finished(self) -> int:
        """Tasks run to their end so far, including those that raised."""
        return sum(w.counts.finished for w in self._workers)

    @property
    def tasks_failed(self) -> int:
        """Tasks that raised."""
        return sum(w.counts.failed for w in self._workers)

    @property
    def tasks_cancelled(self) -> int:
        """Tasks that were queued at a cancelling shutdown and never ran."""
        return self._cancelled + sum(w.counts.cancelled for w in self._workers)

    @property
    def steals(self) -> list[list[int]]:
        """Hits: a row per thief, a column per victim."""
        return [list(w.counts.steals) for w in self._workers]

    @property
    def attempts(self) -> list[list[int]]:
        """Steal attempts, hits included: a row per thief, a column per victim."""
        return [list(w.counts.attempts) for w in self._workers]

    @property
    def empties(self) -> list[list[int]]:
        """Steal attempts that saw an empty deque: a row per thief, a column per victim."""
        return [list(w.counts.empties) for w in self._workers]

    @property
    def lost_races(self) -> list[list[int]]:
        """Steal attempts that saw a task which another worker took: thief by victim."""
        return [list(w.counts.lost_races) for w in self._workers]

    @property
    def parks(self) -> list[int]:
        """Sleeps of each worker so far."""
        return [w.counts.parks for w in self._workers]

    @property
    def parked(self) -> int:
        """Workers that are parked, or have announced that they are about to park."""
        return len(self.sleepers)

    def report(self) -> dict[str, Any]:
        """Return the counts, ready for JSON."""
        return {
            "workers": self.workers,
            "spawned": self.tasks_spawned,
            "tasks_finished": self.tasks_finished,
            "tasks_failed": self.tasks_failed,
            "tasks_cancelled": self.tasks_cancelled,
            "parks": self.parks,
            "steals": self.steals,
            "attempts": self.attempts,
            "empties": self.empties,
            "lost_races": self.lost_races,
            "misuses": self.probe.misuses,
        }

    def deque_depths(self) -> tuple[int, list[int]]:
        """Tasks queued now: in the inbox, and in each worker's deque."""
        return len(self.inbox), [len(own) for own in self.deques]


def pair(first: WorkStealingPool, second: WorkStealingPool) -> None:
    """Make two pools twins, before either is given work."""
    first.twin, second.twin = second, first
