"""Pools whose workers share one queue, and come and go: what the adapters record with.

A task's token is made where it is queued; its row is put where it runs. The worker's own calls
are written out in the adapters' hooks, so that a task costs them two Python frames and no more.
A worker is a thread of this process here; workers that are processes write a board, see `_board`.
"""

from __future__ import annotations

import os
import threading
from time import monotonic_ns, thread_time_ns
from typing import Any, Callable

from ._names import name_of
from ._pool import PoolProbe
from ._recorder import WorkerSense
from ._rings import NO_TOKEN, Ring, Token
from ._tables import FINISHED, INBOX, LEFT, NONE, STAYS, TASKS, Table

MOST_ROWS_PER_WORKER = 1 << 13
LEAST_ROWS_PER_WORKER = 1 << 8
TASK_ROWS_PER_POOL = 1 << 15
STAY_ROWS = 1 << 6


class _Here(threading.local):
    """What the calling thread is: the worker of a shared pool, or nobody."""

    worker: SharedWorker | None = None
    leaving: Any = None


here = _Here()


class _Leaving:
    """Dies with its thread's local data, and so says when the thread ends."""

    __slots__ = ("worker",)

    def __init__(self, worker: SharedWorker) -> None:
        self.worker = worker

    def __del__(self) -> None:
        self.worker.leave()


class SharedWorker(WorkerSense):
    """One thread of a shared pool. The fields are those that the outlet reads of any worker."""

    __slots__ = (
        "gap",
        "joined_ns",
        "pid",
        "pool",
        "stack",
        "started",
        "stays",
        "taken_from",
        "token",
    )

    def __init__(self, pool: SharedPool, index: int, rows: int) -> None:
        super().__init__(index)
        self.pool = pool
        self.tasks = Ring(rows)
        self.stays = Ring(STAY_ROWS)
        self.token: Token | None = None
        self.started = self.taken_from = NONE
        self.stack: list[Any] = []
        self.gap: tuple[int, int, int] | None = None
        self.joined_ns = NONE
        self.pid = NONE

    def rings(self) -> tuple[tuple[Table, Any], ...]:
        """Return the tables this worker writes, with their rings."""
        return (TASKS, self.tasks), (STAYS, self.stays)

    def join(self) -> None:
        """The calling thread becomes this worker."""
        thread = threading.current_thread()
        self.thread_name = thread.name
        self.ident = threading.get_ident()
        self.native_id = threading.get_native_id()
        self.pid = os.getpid()
        self.joined_ns = monotonic_ns()
        here.worker = self
        here.leaving = _Leaving(self)
        self.pool.worker_bound()

    def running(self, token: Token) -> None:
        """Begin the task of `token`, taken from the shared queue."""
        self.mark = thread_time_ns() if token[2] in self.cpu_kinds else NONE
        self.started = monotonic_ns()
        self.token = token

    def finished(self, outcome: int = FINISHED) -> None:
        """End the task in hand; nothing where none is."""
        token = self.token
        if token is None:
            return
        ended = monotonic_ns()
        cpu = thread_time_ns() - self.mark if self.mark >= 0 else NONE
        self.tasks.put((token, self.started, ended, INBOX, cpu, outcome))
        self.token = None

    def leave(self) -> None:
        """The thread has ended."""
        joined = self.joined_ns
        if joined >= 0:
            self.stays.put((joined, monotonic_ns(), self.pid, self.native_id, LEFT))
            self.joined_ns = NONE
            self.token = None


class SharedPool(PoolProbe):
    """A pool with one queue whose workers join and leave; it can close and open again.

    `still_open` says whether whoever owns the queue still can use it; asked now and then.
    """

    __slots__ = ("known", "rows_per_worker", "still_open", "unhook")

    def __init__(self, name: str, kind: str, number: int, most_workers: int) -> None:
        super().__init__(name, 0, kind, number)
        self.shared_queue = True
        self.known: dict[str, tuple[Any, int]] = {}
        self.still_open: Callable[[], bool] = lambda: True
        self.unhook: Callable[[], None] = lambda: None
        share = TASK_ROWS_PER_POOL // max(1, most_workers)
        self.rows_per_worker = min(MOST_ROWS_PER_WORKER, max(LEAST_ROWS_PER_WORKER, share))

    def kind_of(self, function: Any) -> int:
        """Return the number of a callable's kind; slower the first time a name is seen."""
        name = getattr(function, "__qualname__", None)
        if not isinstance(name, str):
            return self.add_kind(name_of(function))
        module = getattr(function, "__module__", None)
        entry = self.known.get(name)
        if entry is not None and entry[0] is module:
            return entry[1]
        number = self.kinds.get(name_of(function), NONE)
        if number < 0:
            number = self.add_kind(name_of(function))
        if len(self.known) <= len(self.kinds):  # bounded as the kinds are
            self.known[name] = module, number
        return number

    def queued(self, kind: int, size: int = NONE, at_ns: int = NONE) -> Token:
        """Record a task that the calling thread hands in; return the token it carries."""
        by = parent = NONE
        worker = here.worker
        if worker is not None and worker.pool is self:
            by = worker.index
            if worker.token is not None:
                parent = worker.token[0]
        ring = self.spawns
        task = ring.next_number()
        token = (task, parent, kind, at_ns if at_ns >= 0 else monotonic_ns(), by, size)
        ring.slots[task & ring.mask] = token
        return token

    def newcomer(self) -> SharedWorker:
        """Make the calling thread a worker: one that has left, or one more."""
        with self.rare:
            absent = (probe for probe in self.probes if probe.joined_ns < 0)
            worker: SharedWorker | None = next(absent, None)
            if worker is None:
                worker = SharedWorker(self, len(self.probes), self.rows_per_worker)
                self.probes.append(worker)
                self.workers = len(self.probes)
            worker.joined_ns = 0  # taken, before the lock is given back
        worker.join()
        return worker

    def refresh(self) -> None:
        """Close the pool if nobody can use it any more."""
        if self.closed_ns < 0 and not self.still_open():
            self.close()

    def close(self) -> None:
        """The pool's owner is gone or done; the same place in the program may open it again."""
        if self.closed_ns < 0:
            self.closed_ns = monotonic_ns()
            self.revision += 1
            if self.on_close is not None:
                self.on_close(self)

    def open_again(self) -> bool:
        """Another pool is made where this one had been."""
        self.closed_ns = NONE
        self.revision += 1
        return not self.off

    def switch_off(self) -> None:
        """Take the hooks out: the pool runs on unrecorded."""
        self.off = True
        self.unhook()


__all__ = ["NO_TOKEN", "SharedPool", "SharedWorker", "here"]
