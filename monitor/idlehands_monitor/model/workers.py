"""The workers of a pool in a reading: each one, and those that joined, left or died."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import WorkerState
from .worker_time import WorkerTime


@dataclass(frozen=True, slots=True)
class WorkerReading:
    """One worker: its time in the window, its deque, and what it is doing at the end of it.

    state: what it does at the end of the window. pid: its process, -1 where that is not known.
    doing: the kind of its task, empty outside one; for_s: how long it has been in that state.
    idle_history: share of each past second spent searching or parked, oldest first, NaN where
    nothing was recorded. depth: tasks in its deque, -1 where the pool does not say.
    """

    index: int
    name: str
    native_id: int
    ident: int
    time: WorkerTime
    depth: int
    state: WorkerState
    doing: str
    for_s: float
    idle_history: tuple[float, ...]
    tasks_finished: int
    stolen_by_it: int
    stolen_from_it: int
    pid: int = -1


@dataclass(frozen=True, slots=True)
class DeadWorkerReading:
    """A worker whose process or thread ended in a task: which task, and how long it had run.

    died_ns: when it was found to have ended. is_thread: whether its process goes on without it.
    exit_status: of a process whose end broke its pool, negative: the signal; None for all others.
    """

    worker: int
    pid: int
    kind: str
    run_s: float
    died_ns: int = -1
    is_thread: bool = False
    exit_status: int | None = None


@dataclass(frozen=True, slots=True)
class LifetimesReading:
    """How many workers a pool has, and how many joined, left and died in the window.

    dead: those whose end broke the pool, and the latest of the others that died, oldest first.
    """

    present: int
    joined: int
    left: int
    died: int
    dead: tuple[DeadWorkerReading, ...]
