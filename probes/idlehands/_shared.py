"""Pools whose workers share one queue, and come and go: what the adapters record with.

A task's token is made where it is queued; its row is put where it runs. The worker's own calls
are written out in the adapters' hooks, so that a task costs them two Python frames and no more.
A worker is a thread of this process here; workers that are processes write a board, see `_board`.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from time import monotonic_ns, thread_time_ns
from typing import Any, Callable

from ._names import is_lasting, name_of
from ._pool import MOST_KINDS, PoolProbe, nanoseconds_of
from ._recorder import WorkerSense
from ._rings import Ring, Token
from ._tables import (
    FETCHING,
    FINISHED,
    GAPS,
    INBOX,
    LEFT,
    MOST_WORKERS,
    NONE,
    PARKED,
    STAYS,
    TASKS,
    Table,
)

MOST_ROWS_PER_WORKER = 1 << 13
LEAST_ROWS_PER_WORKER = 1 << 8
TASK_ROWS_PER_POOL = 1 << 15
STAY_ROWS, GAP_ROWS = 1 << 6, 1 << 10
MOST_SEATS = 1 << 10
SKIPPED: Token = (NONE, NONE, 0, 0, NONE, NONE)
"""The token of a task that is only counted; known by its identity, or by its number."""
NOT_ONE = (1 << 62) - 1
TOTALS, EVERY = 3, 16
STILL = (1 << 63) - 1
"""The end of a stay that has not ended."""


class _Here(threading.local):
    """What dies with the calling thread."""

    leaving: Any = None


_here = _Here()

workers: dict[int, SharedWorker] = {}
"""The worker that each thread is, by its identifier; threads that are none are not in it."""


def present_worker() -> SharedWorker | None:
    """Return the worker that the calling thread is."""
    return workers.get(threading.get_ident())


cpu_readers: set[SharedWorker] = set()
"""The workers of whose tasks some have their CPU time read: empty most of the time."""


_prices: list[float] = []


class _Leaving:
    """Dies with its thread's local data, and so says when the thread ends."""

    __slots__ = ("worker",)

    def __init__(self, worker: SharedWorker) -> None:
        self.worker = worker

    def __del__(self) -> None:
        self.worker.leave()


class SharedWorker(Ring, WorkerSense):
    """One thread of a shared pool. The fields are those that the outlet reads of any worker.

    It is its own ring of task rows, which saves a look-up a task. `token` stays when its task has
    ended, for the same reason; the task is open unless the last row is its.
    """

    __slots__ = (
        "after",
        "after_state",
        "cpu_kinds",
        "gap",
        "gaps",
        "ident",
        "index",
        "joined_ns",
        "long_streak",
        "mark",
        "native_id",
        "pid",
        "pool",
        "skipped",
        "stack",
        "started",
        "stays",
        "taken_from",
        "thread_name",
        "token",
    )

    def __init__(self, pool: SharedPool, index: int, rows: int) -> None:
        Ring.__init__(self, rows)
        WorkerSense.__init__(self, index)
        self.pool = pool
        self.stays = Ring(STAY_ROWS)
        self.gaps = Ring(GAP_ROWS)
        self.skipped = 0
        self.after = self.after_state = 0
        self.token: Token | None = None
        self.started = self.taken_from = NONE
        self.stack: list[Any] = []
        self.gap: tuple[int, int, int] | None = None
        self.joined_ns = NONE
        self.pid = NONE

    @property
    def open_token(self) -> Token | None:
        """The token of the task in hand, None outside a task."""
        token = self.token
        if token is None or self.written == 0:
            return token
        last = self.slots[(self.written - 1) & self.mask]
        return None if last is not None and last[0] is token else token

    def weigh(self, rows: Sequence[Any]) -> None:
        """Choose the kinds of task whose CPU time is read."""
        super().weigh(rows)
        if self.cpu_kinds:
            cpu_readers.add(self)
        else:
            cpu_readers.discard(self)

    def rings(self) -> tuple[tuple[Table, Any], ...]:
        """Return the tables this worker writes, with their rings."""
        return (TASKS, self), (STAYS, self.stays), (GAPS, self.gaps)

    @property
    def tasks_run(self) -> int:
        """How many tasks it has run, recorded or only counted."""
        return self.written + self.skipped

    def join(self) -> None:
        """The calling thread becomes this worker."""
        thread = threading.current_thread()
        self.thread_name = thread.name
        self.ident = threading.get_ident()
        self.native_id = threading.get_native_id()
        self.pid = os.getpid()
        self.joined_ns = monotonic_ns()
        self.pool.sit(self, STILL)
        workers[self.ident] = self
        _here.leaving = _Leaving(self)
        self.pool.worker_bound()

    def unseen(self, function: Any) -> Token:
        """Return a token for a task that was queued before the probe was there."""
        token: Token = self.pool.queued(self.pool.kind_of(function))
        return token

    def running(self, token: Token) -> None:
        """Begin the task of `token`, taken from the shared queue.

        Of tasks that are only counted nothing is known but when the first one after a recorded
        one began: that gap stands for all the others.
        """
        if self.after:
            self.gaps.put((self.after, monotonic_ns(), self.after_state, 0, NONE, NONE))
            self.after = 0
        if token is SKIPPED:
            self.skipped += 1
            return
        self.mark = thread_time_ns() if token[2] in self.cpu_kinds else NONE
        self.started = monotonic_ns()
        self.token = token

    def finished(self, outcome: int = FINISHED) -> None:
        """End the task in hand; nothing where none is."""
        token = self.open_token
        if token is None:
            return
        ended = monotonic_ns()
        cpu = thread_time_ns() - self.mark if self.mark >= 0 else NONE
        self.put((token, self.started, ended, INBOX, cpu, outcome))
        if self.pool.every:
            self.after, self.after_state = ended, PARKED if self.pool.is_empty() else FETCHING

    def leave(self) -> None:
        """The thread has ended."""
        joined = self.joined_ns
        if joined >= 0:
            now = monotonic_ns()
            self.stays.put((joined, now, self.pid, self.native_id, LEFT))
            self.pool.sit(self, now)
            workers.pop(self.ident, None)
            self.joined_ns = NONE
            self.token = None


class SharedPool(PoolProbe):
    """A pool with one queue whose workers join and leave; it can close and open again.

    `still_open` says whether whoever owns the queue still can use it; asked now and then.
    """

    __slots__ = (
        "every",
        "known",
        "last_number",
        "on_step",
        "rows_per_worker",
        "seats",
        "still_open",
        "unhook",
    )

    last_step = TOTALS
    sampled_by = "spawned_ns"

    def __init__(self, name: str, kind: str, number: int, most_workers: int) -> None:
        super().__init__(name, 0, kind, number)
        self.shared_queue = True
        self.known: dict[Any, int] = {}
        self.every = 0
        self.last_number = NONE
        self.on_step: Callable[[], None] = lambda: None
        self.still_open: Callable[[], bool] = lambda: True
        self.seats: dict[int, tuple[int, int, int]] = {}
        self.unhook: Callable[[], None] = lambda: None
        share = TASK_ROWS_PER_POOL // max(1, most_workers)
        self.rows_per_worker = min(MOST_ROWS_PER_WORKER, max(LEAST_ROWS_PER_WORKER, share))

    def kind_of(self, function: Any) -> int:
        """Return the number of a callable's kind; slower the first time it is seen.

        Remembered by themselves are functions that their module keeps anyway: to remember any
        other would keep it alive, and what it closes over with it.
        """
        name = name_of(function)
        number = self.kinds.get(name, NONE)
        if number < 0:
            number = self.add_kind(name)
        if is_lasting(function) and len(self.known) < MOST_KINDS:
            self.known[function] = number
        return number

    def queued(self, kind: int, size: int = NONE, at_ns: int = NONE) -> Token:
        """Record a task that the calling thread hands in; return the token it carries."""
        task: int = self.spawns.next_number()
        self.last_number = task
        if self.every and task & self.every:
            return SKIPPED
        return self.token(task, kind, size, at_ns)

    def token(self, task: int, kind: int, size: int = NONE, at_ns: int = NONE) -> Token:
        """Return the token of a task by its number, and keep it for the table of spawns."""
        at_ns = at_ns if at_ns >= 0 else monotonic_ns()
        worker = present_worker()
        by = NONE if worker is None or worker.pool is not self else worker.index
        token = (task, NONE, kind, at_ns, by, size)
        self.spawns.slots[task & self.spawns.mask] = token
        return token

    def turn_to(self, step: int) -> None:
        """Record in the detail of `step` from now on."""
        before, self.every = self.every, (0, 0, EVERY - 1, NOT_ONE)[step]
        self.on_step()
        if before and not self.every:  # those in between have left no trace
            self.spawns.begin = self.last_number + 1
        super().turn_to(step)

    def work_recorded(self) -> float:
        """Return how many tasks have been run, recorded or only counted."""
        return float(sum(probe.tasks_run for probe in self.probes))

    def tasks_spawned(self) -> int:
        """Return how many tasks were handed in, where most leave no trace; -1 otherwise."""
        return self.last_number + 1 if self.every else NONE

    def workers_present(self) -> int:
        """Return how many workers there are now."""
        return sum(probe.joined_ns >= 0 for probe in self.probes)

    def is_empty(self) -> bool:
        """Say whether nothing is queued, as far as the pool says."""
        if self.depths is None:
            return False
        inbox: int = self.depths()[0]
        return inbox == 0

    def price(self) -> tuple[float, float]:
        """Return nanoseconds that a task costs, (recorded, counted)."""
        if not _prices:
            pool = SharedPool("calibration", "scratch", NONE, MOST_WORKERS)
            worker = SharedWorker(pool, 0, LEAST_ROWS_PER_WORKER)

            def record() -> None:
                worker.running(pool.queued(0))
                worker.finished()

            for step in (0, TOTALS):
                pool.turn_to(step)
                _prices.append(nanoseconds_of(record))
        return _prices[0], _prices[1]

    def submitters(self, threads: Sequence[int], moments: Sequence[int]) -> Sequence[int]:
        """Return the worker that each thread was at its moment; what is none is a worker already.

        Rows name the thread that submitted, which costs the submitter least to find out.
        """
        known = set(threads)
        if known.isdisjoint(self.seats):
            return [thread if thread < MOST_WORKERS else NONE for thread in threads]
        return list(map(self._submitter, threads, moments))

    def _submitter(self, thread: int, moment_ns: int) -> int:
        if thread < MOST_WORKERS:
            return thread
        index, began, ended = self.seats.get(thread, (NONE, 0, 0))
        return index if began <= moment_ns <= ended else NONE

    def sit(self, worker: SharedWorker, ended_ns: int) -> None:
        """Note which worker a thread is, up to when; those that left long ago are forgotten."""
        with self.rare:
            if len(self.seats) >= MOST_SEATS:
                self.seats = {key: seat for key, seat in self.seats.items() if seat[2] == STILL}
            self.seats[worker.ident] = worker.index, worker.joined_ns, ended_ns

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

    def refresh(self, *, at_once: bool = False) -> None:
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
