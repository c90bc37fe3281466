"""The deque of one worker and the inbox of the pool.

The discipline is that of D. Chase and Y. Lev, "Dynamic circular work-stealing deque",
SPAA 2005: the owner pushes and pops at the bottom (newest first), thieves take from the
top (oldest first), and the two meet only when one task is left. The operations of
`collections.deque` are atomic, so exactly one of them gets that task; the other is told
so by an `IndexError`.
"""

from __future__ import annotations

import threading
from collections import deque
from enum import Enum
from typing import Any, Union

from .switches import Switches
from .task import Task


class Miss(Enum):
    """Why a look at a victim brought no task."""

    EMPTY = "the deque was seen empty"
    LOST_RACE = "the deque was seen with a task, but somebody else took it first"


Look = Union[Task[Any], Miss]


class TaskDeque:
    """The deque of one worker. `push` and `pop` are the owner's, `steal` is the thieves'."""

    __slots__ = ("_pop", "_steal", "_tasks")

    def __init__(self, switches: Switches | None = None) -> None:
        switches = switches or Switches()
        self._tasks: deque[Task[Any]] = deque()
        tasks = self._tasks
        self._pop = tasks.popleft if switches.owners_take_oldest else tasks.pop
        self._steal = tasks.pop if switches.thieves_take_newest else tasks.popleft

    def __len__(self) -> int:
        return len(self._tasks)

    def push(self, task: Task[Any]) -> None:
        """Add the newest task."""
        self._tasks.append(task)

    def pop(self) -> Task[Any] | None:
        """Take the owner's next task, the newest; None when there is none."""
        try:
            return self._pop()
        except IndexError:
            return None

    def steal(self) -> Look:
        """Take the thief's task, the oldest, or say why there was none."""
        if not self._tasks:
            return Miss.EMPTY
        try:
            return self._steal()
        except IndexError:
            return Miss.LOST_RACE

    def remove(self, task: Task[Any]) -> bool:
        """Take one particular task, as the owner; False when a thief was faster."""
        try:
            self._tasks.remove(task)
        except ValueError:
            return False
        return True

    def take_any(self) -> Task[Any] | None:
        """Take a task in order to cancel it, from any thread; None when there is none."""
        look = self.steal()
        while look is Miss.LOST_RACE:
            look = self.steal()
        return None if isinstance(look, Miss) else look


class GuardedTaskDeque(TaskDeque):
    """A deque whose every operation holds a lock, shared with all deques of the pool."""

    __slots__ = ("_guard",)

    def __init__(self, guard: threading.Lock, switches: Switches | None = None) -> None:
        super().__init__(switches)
        self._guard = guard

    def push(self, task: Task[Any]) -> None:
        """Add the newest task, holding the lock."""
        with self._guard:
            super().push(task)

    def pop(self) -> Task[Any] | None:
        """Take the owner's next task, holding the lock."""
        with self._guard:
            return super().pop()

    def remove(self, task: Task[Any]) -> bool:
        """Take one particular task, holding the lock."""
        with self._guard:
            return super().remove(task)

    def steal(self) -> Look:
        """Take the thief's task, holding the lock."""
        with self._guard:
            return super().steal()


class Inbox:
    """The queue, first in first out, of tasks submitted from outside the pool."""

    __slots__ = ("_tasks",)

    def __init__(self) -> None:
        self._tasks: deque[Task[Any]] = deque()

    def __len__(self) -> int:
        return len(self._tasks)

    def put(self, task: Task[Any]) -> None:
        """Add a task at the end."""
        self._tasks.append(task)

    def take(self) -> Task[Any] | None:
        """Take the task that has waited longest; None when there is none."""
        try:
            return self._tasks.popleft()
        except IndexError:
            return None


def make_deques(workers: int, switches: Switches) -> list[TaskDeque]:
    """Make the deques of a pool, one per worker, as its switches say."""
    if not switches.global_lock_around_deques:
        return [TaskDeque(switches) for _ in range(workers)]
    guard = threading.Lock()
    return [GuardedTaskDeque(guard, switches) for _ in range(workers)]
