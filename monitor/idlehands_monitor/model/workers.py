"""The workers of a pool in a reading: each one, and those that joined, left or died. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import WorkerState
from .worker_time import WorkerTime


@dataclass(frozen=True, slots=True)
class WorkerReading:
    """One worker: its time in the window, its deque, and what it is doing at the window's end.

    state: at the end of the window; doing: the kind of its task then, empty outside a task; for_s:
    how long it has been in that state. pid: its process, -1 where not known. idle_history: share
    of each past second spent searching or parked, oldest first, NaN where nothing was recorded.
    depth: tasks in its deque, -1 where the pool does not report it.
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
    """A worker whose process or thread ended in a task: the task's kind, and how long it had run.

    died_ns: when its end was noticed. is_thread: whether only a thread ended and its process goes
    on. exit_status: of a process whose end broke its pool, negative for a signal; otherwise None.
    errors: of a thread, the classes of exceptions that have ended tasks of its kind.
    """

    worker: int
    pid: int
    kind: str
    run_s: float
    died_ns: int = -1
    is_thread: bool = False
    exit_status: int | None = None
    errors: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LifetimesReading:
    """How many workers a pool has, and how many joined, left and died in the window.

    dead: the workers whose end broke the pool, the first other that died and the latest ones,
    oldest first. none_for_s: how long no worker has been there, 0 where one is or none ever was.
    """

    present: int
    joined: int
    left: int
    died: int
    dead: tuple[DeadWorkerReading, ...]
    none_for_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SpeedReading:
    """The run times of one worker's tasks against those of its siblings, kind by kind.

    kind: the one of which it ran most. tasks, others: compared tasks of the worker and of all its
    siblings. slowdown: its median run time over theirs. superiority: the probability that a task of
    the worker takes longer than one of a sibling, 0.5 for equal ones; error: its standard error if
    they are equal.
    """

    worker: int
    kind: str
    tasks: int
    others: int
    slowdown: float
    superiority: float
    error: float
