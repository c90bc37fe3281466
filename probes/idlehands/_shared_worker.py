"""Workers of pools that share one queue, where they are threads of this process.

A thread's worker is found by the thread's identifier. The end of a thread is noticed by the end of
its local data. Workers that are processes write into shared slots instead, see `_shared_slots`.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from time import monotonic_ns, thread_time_ns
from types import FunctionType
from typing import Any, Protocol

from ._packed_rows import TaskRing
from ._raised import Raised, count
from ._rings import Ring, Token
from ._tables import (
    DIED,
    FETCHING,
    FINISHED,
    IDLE_INTERVALS,
    INBOX,
    LEFT,
    LOST,
    NONE,
    PARKED,
    TASKS,
    WORKER_LIFETIMES,
    Table,
)
from ._worker import RecordingPool, WorkerSense, name_of_thread

LIFETIME_ROWS, IDLE_ROWS = 1 << 6, 1 << 10
SKIPPED: Token = (NONE, NONE, 0, 0, NONE, NONE)
"""The token of a task that is only counted; recognised by its identity, or by its number."""
STILL = (1 << 63) - 1
"""The end of a lifetime that has not ended."""
LAST_CALL = "_invoke_excepthook"
"""The attribute in which a thread keeps what it calls last when an exception ends it."""
_bootstrap: Any = vars(threading.Thread).get("_bootstrap_inner")
_attributes_of: Any = vars(threading.Thread)["__dict__"].__get__
"""Returns a thread's own attributes, whatever its class defines."""


class _Here(threading.local):
    """Data that is freed when the calling thread ends."""

    leaving: Any = None


_here = _Here()

workers: dict[int, SharedWorker] = {}
"""The worker of each thread that is one, by the thread's identifier."""


def present_worker() -> SharedWorker | None:
    """Return the worker that the calling thread is."""
    return workers.get(threading.get_ident())


cpu_readers: set[SharedWorker] = set()
"""The workers that read the CPU time of some kinds of task: empty most of the time."""


class _Leaving:
    """Is freed with its thread's local data, and so notices that the thread ends.

    It takes no lock, because it may be freed anywhere: also in a forked child, which has neither
    the thread nor the holder of a lock.
    """

    __slots__ = ("pid", "worker")

    def __init__(self, worker: SharedWorker) -> None:
        self.worker = worker
        self.pid = os.getpid()

    def __del__(self) -> None:
        with suppress(Exception):  # at the interpreter's end nothing is there any more
            if os.getpid() == self.pid:
                self.worker.leave()


class JoinedPool(RecordingPool, Protocol):
    """The part of a pool with one queue that its workers use; the pool is in `_shared`."""

    every: int
    thread_slots: dict[int, tuple[int, int, int]]

    def kind_of(self, function: Any) -> int:
        """Return the number of a callable's kind."""

    def queued(self, kind: int) -> Token:
        """Record a task that is handed in."""

    def is_empty(self) -> bool:
        """Return whether nothing is queued."""

    def assign(self, worker: SharedWorker) -> None:
        """Note which worker a thread is."""


class SharedWorker(TaskRing, WorkerSense):
    """One thread of a shared pool. The fields are those that the publisher reads of any worker.

    It is its own ring of task rows, which saves an attribute look-up per task. For the same reason
    `token` stays when its task has ended: the task is open unless the last row is its row.
    """

    __slots__ = (
        "after",
        "after_state",
        "cpu_kinds",
        "died",
        "errors",
        "ident",
        "idle_interval",
        "idle_intervals",
        "index",
        "joined_ns",
        "lifetimes",
        "long_streak",
        "mark",
        "native_id",
        "pid",
        "pool",
        "skipped",
        "stack",
        "started",
        "taken_from",
        "thread_name",
        "token",
    )

    def __init__(self, pool: JoinedPool, index: int, rows: int) -> None:
        TaskRing.__init__(self, rows)
        WorkerSense.__init__(self, index)
        self.pool = pool
        self.lifetimes = Ring(LIFETIME_ROWS)
        self.idle_intervals = Ring(IDLE_ROWS)
        self.skipped = 0
        self.after = self.after_state = 0
        self.token: Token | None = None
        self.started = self.taken_from = NONE
        self.stack: list[Any] = []
        self.idle_interval: tuple[int, int, int] | None = None
        self.joined_ns = NONE
        self.pid = NONE
        self.died = False
        self.errors: Raised = {}

    @property
    def open_token(self) -> Token | None:
        """The token of the running task, None outside a task."""
        token = self.token
        if token is None or self.written == 0:
            return token
        return None if self.last_task() == token[0] else token

    def weigh(self, rows: Sequence[Any]) -> None:
        """Choose the kinds of task whose CPU time is read."""
        super().weigh(rows)
        if self.cpu_kinds and self.joined_ns >= 0:
            cpu_readers.add(self)
        else:
            cpu_readers.discard(self)

    def rings(self) -> tuple[tuple[Table, Any], ...]:
        """Return the tables this worker writes, with their rings."""
        return (
            (TASKS, self),
            (WORKER_LIFETIMES, self.lifetimes),
            (IDLE_INTERVALS, self.idle_intervals),
        )

    @property
    def tasks_run(self) -> int:
        """How many tasks it has run, recorded or only counted."""
        return self.written + self.skipped

    def join(self) -> None:
        """The calling thread becomes this worker."""
        self.thread_name = name_of_thread()
        self.ident = threading.get_ident()
        self.native_id = threading.get_native_id()
        self.pid = os.getpid()
        self.died = False
        self.joined_ns = monotonic_ns()
        self.pool.assign(self)
        workers[self.ident] = self
        _here.leaving = _Leaving(self)
        self.pool.worker_bound()

    def unseen(self, function: Any) -> Token:
        """Return a token for a task that was queued before the probe was there."""
        token: Token = self.pool.queued(self.pool.kind_of(function))
        return token

    def running(self, token: Token) -> None:
        """Begin the task of `token`, taken from the shared queue.

        Among tasks that are only counted, the begin is known only of the first one after a recorded
        task: the idle interval before it stands for all the others.
        """
        if self.after:
            self.idle_intervals.put((self.after, monotonic_ns(), self.after_state, 0, NONE, NONE))
            self.after = 0
        if token is SKIPPED:
            self.skipped += 1
            return
        self.mark = thread_time_ns() if token[2] in self.cpu_kinds else NONE
        self.started = monotonic_ns()
        self.token = token

    def finished(self, outcome: int = FINISHED, error: type[BaseException] | None = None) -> None:
        """End the running task, `error`: what it raised; do nothing where none is running."""
        token = self.open_token
        if token is None:
            return
        ended = monotonic_ns()
        cpu = thread_time_ns() - self.mark if self.mark >= 0 else NONE
        self.put((token, self.started, ended, INBOX, cpu, outcome))
        if error is not None:
            count(self.errors, token[2], error)
        if self.pool.every:
            self.after, self.after_state = ended, PARKED if self.pool.is_empty() else FETCHING

    def ends_by(self, error: type[BaseException]) -> None:
        """Note which exception ends the worker's thread; `SystemExit` for none."""
        token = self.open_token
        self.died = not issubclass(error, SystemExit)
        if self.died and token is not None:
            count(self.errors, token[2], error)

    def leave(self) -> None:
        """End the worker's lifetime with its thread; a task that an exception ended so is lost."""
        joined = self.joined_ns
        if joined >= 0:
            now, token, how = monotonic_ns(), self.open_token, LEFT
            if token is not None:
                outcome, how = (LOST, DIED) if self.died else (FINISHED, LEFT)
                self.put((token, self.started, now, INBOX, NONE, outcome))
            self.lifetimes.put((joined, now, self.pid, self.native_id, how))
            self.pool.thread_slots[self.ident] = self.index, joined, now
            if workers.get(self.ident) is self:
                del workers[self.ident]
            self.joined_ns = NONE
            self.token = None
            cpu_readers.discard(self)


def release(worker: SharedWorker) -> None:
    """Make a thread no worker any more, and the item that it has taken no task."""
    worker.token, worker.joined_ns = None, NONE
    if workers.get(worker.ident) is worker:
        del workers[worker.ident]
    cpu_readers.discard(worker)


class _LastCall:
    """A descriptor in place of the attribute in which a thread keeps what it calls last.

    A thread that an exception ends reads the attribute, and so calls this. It gets the value from
    its own dictionary, as without the descriptor (the descriptor protocol of Python's data model).
    """

    def __get__(self, thread: Any, cls: Any = None) -> Any:
        try:
            call = _attributes_of(thread)[LAST_CALL]
        except (KeyError, TypeError):  # asked of the class, or of a thread that was not made right
            raise AttributeError(LAST_CALL) from None
        worker = workers.get(threading.get_ident())
        if worker is not None and sys._getframe(1).f_code is _bootstrap.__code__:
            worker.ends_by(sys.exc_info()[0] or SystemExit)
        return call

    def __set__(self, thread: Any, call: Any) -> None:
        _attributes_of(thread)[LAST_CALL] = call

    def __delete__(self, thread: Any) -> None:
        try:
            del _attributes_of(thread)[LAST_CALL]
        except KeyError:
            raise AttributeError(LAST_CALL) from None


def notice_deaths() -> None:
    """Notice from now on when an exception ends a worker's thread; `sys.exit` does not count.

    Where `threading` does not do what CPython 3.9 to 3.15 do (Lib/threading.py,
    `_bootstrap_inner`), a thread that an exception ended counts as one that left.
    """
    known = type(_bootstrap) is FunctionType and LAST_CALL in _bootstrap.__code__.co_names
    if known and LAST_CALL not in vars(threading.Thread):
        threading.Thread._invoke_excepthook = _LastCall()  # type: ignore[attr-defined]


def _nobody_is_a_worker() -> None:
    """Forget the parent's threads: a forked child has others, which may get their identifiers."""
    workers.clear()
    cpu_readers.clear()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_nobody_is_a_worker)
