"""The deque of one worker and the inbox of the pool.

The discipline is that of D. Chase and Y. Lev, "Dynamic circular work-stealing deque",
SPAA 2005: the owner pushes and pops at the bottom (newest first), thieves take from the
top (oldest first), and the two contend only when one task is left. The operations of
`collections.deque` are atomic, so exactly one of them gets that task; the other gets an
`IndexError`.
"""

from __future__ import annotations

import threading
import time
import zlib
from collections import deque
from collections.abc import Callable, Iterator, Sized
from contextlib import contextmanager
from typing import Any, NamedTuple, Union

from .switches import Switches
from .task import Task


class Miss(NamedTuple):
    """A steal attempt without a hit: `seen` tasks were in the deque, and 0 means it was empty."""

    seen: int


EMPTY = Miss(0)

Attempt = Union[Task[Any], Miss]

JOURNAL_BYTES = 524288
"""Over 5 KiB: for so many bytes zlib releases the interpreter lock."""

Contended = Callable[[int, int, int], None]
"""Reports a contended operation: the deque's owner, its length then, the nanoseconds waited."""


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
        """Take the newest task, as the owner; None when there is none."""
        try:
            return self._pop()
        except IndexError:
            return None

    def steal(self) -> Attempt:
        """Take the oldest task, as a thief; return a miss where there is none."""
        seen = len(self._tasks)
        if not seen:
            return EMPTY
        try:
            return self._steal()
        except IndexError:
            return Miss(seen)

    def remove(self, task: Task[Any]) -> bool:
        """Take one particular task, as the owner; False when a thief was faster."""
        try:
            self._tasks.remove(task)
        except ValueError:
            return False
        return True

    def take_any(self) -> Task[Any] | None:
        """Take a task in order to cancel it, from any thread; None when there is none."""
        taken = self.steal()
        while isinstance(taken, Miss):
            if not taken.seen:
                return None
            taken = self.steal()
        return taken


class Guard:
    """The one lock around all deques, and the journal whose checksum is renewed under it.

    The checksum takes long enough for another thread to run and to want the lock.
    """

    def __init__(self, contended: Contended) -> None:
        self._lock = threading.Lock()
        self._contended = contended
        self._journal = bytes(JOURNAL_BYTES)

    @contextmanager
    def hold(self, owner: int, tasks: Sized) -> Iterator[None]:
        """Hold the lock for one operation on the deque `tasks` of `owner`."""
        if not self._lock.acquire(blocking=False):
            began = time.monotonic_ns()
            self._lock.acquire()
            self._contended(owner, len(tasks), time.monotonic_ns() - began)
        try:
            zlib.crc32(self._journal)
            yield
        finally:
            self._lock.release()


class GuardedTaskDeque(TaskDeque):
    """A deque whose every operation holds a lock, shared with all deques of the pool."""

    __slots__ = ("_guard", "_owner")

    def __init__(self, guard: Guard, owner: int, switches: Switches | None = None) -> None:
        super().__init__(switches)
        self._guard = guard
        self._owner = owner

    def push(self, task: Task[Any]) -> None:
        """Add the newest task, holding the lock."""
        with self._guard.hold(self._owner, self):
            super().push(task)

    def pop(self) -> Task[Any] | None:
        """Take the owner's next task, holding the lock."""
        with self._guard.hold(self._owner, self):
            return super().pop()

    def remove(self, task: Task[Any]) -> bool:
        """Take one particular task, holding the lock."""
        with self._guard.hold(self._owner, self):
            return super().remove(task)

    def steal(self) -> Attempt:
        """Take the thief's task, holding the lock."""
        with self._guard.hold(self._owner, self):
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


def make_deques(workers: int, switches: Switches, contended: Contended) -> list[TaskDeque]:
    """Make the deques of a pool, one per worker, as its switches say."""
    if not switches.global_lock_around_deques:
        return [TaskDeque(switches) for _ in range(workers)]
    guard = Guard(contended)
    return [GuardedTaskDeque(guard, owner, switches) for owner in range(workers)]
