"""Pools whose workers share one queue, join and leave: what the adapters record with.

A task's token is made where the task is queued. Its row is put where the task runs, by a worker of
`_shared_worker` or `_slot_worker`. The two hot paths of a thread pool are written out in its
adapter.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from time import monotonic_ns
from typing import Any, Callable

from ._detail import COUNTED, MASKS, nanoseconds_of
from ._names import is_lasting, name_of
from ._packed_rows import PackedRows
from ._pool import MOST_KINDS, PoolProbe
from ._rings import Room, Token
from ._shared_worker import SKIPPED, STILL, SharedWorker, present_worker
from ._tables import MOST_WORKERS, NONE
from ._worker import LEAST_ROWS_PER_WORKER, TASK_ROWS_PER_POOL

MOST_ROWS_PER_WORKER = 1 << 13
MOST_THREAD_SLOTS = 1 << 10

_prices: list[float] = []


def _do_nothing() -> None:
    pass


class SharedPool(PoolProbe):
    """A pool with one queue whose workers join and leave; it can close and open again.

    `still_open` returns whether the queue's owner can still use it; it is called now and then.
    `is_usable` returns whether somebody can hand in a task, where that is known.
    """

    __slots__ = (
        "every",
        "first_dead",
        "is_usable",
        "known",
        "last_number",
        "lasting",
        "most_workers",
        "on_refresh",
        "on_step",
        "rows_per_worker",
        "still_open",
        "thread_slots",
        "unhook",
        "unwanted",
    )

    last_step = COUNTED
    thinned_by = "spawned_ns"

    def __init__(self, name: str, kind: str, number: int, most_workers: int) -> None:
        super().__init__(name, 0, kind, number)
        self.shared_queue = True
        self.known: dict[int, int] = {}
        self.lasting: list[Any] = []
        self.every = 0
        self.first_dead = ()
        self.unwanted = False
        self.last_number = NONE
        self.most_workers = NONE
        self.on_refresh: Callable[[], None] = _do_nothing
        self.on_step: Callable[[], None] = _do_nothing
        self.still_open: Callable[[], bool] = lambda: True
        self.is_usable: Callable[[], bool] = lambda: True
        self.thread_slots: dict[int, tuple[int, int, int]] = {}
        self.unhook: Callable[[], None] = _do_nothing
        share = TASK_ROWS_PER_POOL // max(1, most_workers)
        most = Room.for_rows(MOST_ROWS_PER_WORKER)
        self.rows_per_worker = min(most, max(LEAST_ROWS_PER_WORKER, share))

    def kind_of(self, function: Any) -> int:
        """Return the number of a callable's kind; slower the first time.

        Functions and classes that their module keeps alive anyway are known by their identity from
        then on. To know any other so would keep it alive, and with it what it closes over.
        """
        name = name_of(function)
        number = self.kinds.get(name, NONE)
        if number < 0:
            number = self.add_kind(name)
        if len(self.known) < MOST_KINDS and is_lasting(function):
            self.lasting.append(function)
            self.known[id(function)] = number
        return number

    def queued(
        self, kind: int, size: int = NONE, at_ns: int = NONE, *, by_somebody: bool = False
    ) -> Token:
        """Record a task that is handed in; return its token.

        `by_somebody`: it is not known which thread hands it in, and not the calling one.
        """
        task: int = self.spawns.next_number()
        self.last_number = task
        if self.every and task & self.every:
            return SKIPPED
        return self.token(task, kind, size, at_ns, by_somebody=by_somebody)

    def token(
        self,
        task: int,
        kind: int,
        size: int = NONE,
        at_ns: int = NONE,
        *,
        by_somebody: bool = False,
    ) -> Token:
        """Return the token of a task by its number, and keep it for the table of spawns."""
        at_ns = at_ns if at_ns >= 0 else monotonic_ns()
        worker = None if by_somebody else present_worker()
        by = NONE if worker is None or worker.pool is not self else worker.index
        token = (task, NONE, kind, at_ns, by, size)
        self.spawns.keep(token)
        return token

    def turn_to(self, step: int) -> None:
        """Record in the detail of `step` from now on."""
        before, self.every = self.every, MASKS[step]
        self.on_step()
        if before and not self.every:  # those in between have left no spawn
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
        """Return whether nothing is queued, as far as the pool exposes that."""
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

            for step in (0, COUNTED):
                pool.turn_to(step)
                _prices.append(nanoseconds_of(record))
        return _prices[0], _prices[1]

    def submitters(self, threads: Sequence[int], timestamps: Sequence[int]) -> Sequence[int]:
        """Return the worker that each thread was at its moment; an index stays an index.

        Rows name the thread that submitted: that costs the submitter least.
        """
        known = set(threads)
        if known.isdisjoint(self.thread_slots):
            return [thread if thread < MOST_WORKERS else NONE for thread in threads]
        return list(map(self._submitter, threads, timestamps))

    def name_submitters(self, rows: PackedRows) -> None:
        """Have packed task rows name the workers that submitted, as `submitters` does.

        The case that all were submitted by one thread is the usual one, and quick.
        """
        threads = rows.column("spawned_by")
        thread, by = threads[0], threads[:1] * len(threads)
        if threads == by and thread not in self.thread_slots:
            if thread >= MOST_WORKERS:
                rows.change("spawned_by", array("q", [NONE]) * len(threads))
            return
        timestamps = rows.column("spawned_ns")
        index, began, ended = self.thread_slots.get(thread, (NONE, 0, NONE))
        if threads == by and began <= min(timestamps) and max(timestamps) <= ended:
            rows.change("spawned_by", array("q", [index]) * len(threads))
        else:
            rows.change("spawned_by", array("q", self.submitters(threads, timestamps)))

    def _submitter(self, thread: int, timestamp_ns: int) -> int:
        if thread < MOST_WORKERS:
            return thread
        index, began, ended = self.thread_slots.get(thread, (NONE, 0, 0))
        return index if began <= timestamp_ns <= ended else NONE

    def assign(self, worker: SharedWorker) -> None:
        """Note which worker a thread is; where many have left, forget those.

        A worker that leaves changes its entry in place and takes no lock, see `_shared_worker`.
        """
        with self.rare:
            if len(self.thread_slots) >= MOST_THREAD_SLOTS:
                for thread, slot in list(self.thread_slots.items()):
                    if slot[2] != STILL:
                        del self.thread_slots[thread]
            self.thread_slots[worker.ident] = worker.index, worker.joined_ns, STILL

    def joined_worker(self) -> SharedWorker:
        """Make the calling thread a worker, in the place of one that has left or in a new one."""
        with self.rare:
            absent = (probe for probe in self.probes if probe.joined_ns < 0)
            worker: SharedWorker | None = next(absent, None)
            if worker is None:
                worker = SharedWorker(self, len(self.probes), self.rows_per_worker)
                worker.set_packed(self.is_packed)
                self.probes.append(worker)
                self.workers = len(self.probes)
            worker.joined_ns = 0  # the place is taken before the lock is released
        worker.join()
        return worker

    def refresh(self, *, at_once: bool = False) -> None:
        """Close the pool if its owner can use it no more."""
        self.on_refresh()
        if self.closed_ns < 0 and not self.still_open():
            self.close()

    def close(self) -> None:
        """Note that the pool's owner is gone or done; the same place may open the pool again."""
        if self.closed_ns < 0:
            self.closed_ns = monotonic_ns()
            self.revision += 1

    def forget(self) -> None:
        """Free the memory, and let go of what the pool was hooked into."""
        self.unhook()
        self.unhook = self.on_step = self.on_refresh = _do_nothing
        self.still_open = self.is_usable = lambda: False
        self.depths = None
        super().forget()

    def is_ending(self) -> bool:
        """Return whether nobody can hand in a task and none is left: only its threads are.

        An executor ends its threads with one item of its own.
        """
        if self.is_usable() or self.depths is None or self.depths()[0] > 1:
            return False
        return all(probe.open_token is None for probe in self.probes)

    def open_again(self) -> bool:
        """Open the pool again, for another one that is made in its place, unless it is in use."""
        if self.off or (self.closed_ns < 0 and not self.is_ending()):
            return False
        if self.is_compact:
            for ring in self.all_rings():
                ring.restore()
            self.is_compact = False
        self.is_read = False
        self.first_dead = ()
        self.still_open = self.is_usable = lambda: True  # until its new owner sets them
        self.closed_ns = NONE
        self.revision += 1
        return True

    def switch_off(self) -> None:
        """Take the hooks out: the pool runs on unrecorded."""
        self.off = True
        self.unhook()
