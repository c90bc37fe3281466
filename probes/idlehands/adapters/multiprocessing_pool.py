"""`multiprocessing.Pool` and its `ThreadPool`.

Hooked where the pool stores its queues (CPython, Lib/multiprocessing/pool.py, 3.9 to 3.13). Its
workers are started while it is made and keep hold of their queues, so a pool that exists already
cannot be probed. A task is a tuple of five, and travels with its token as the sixth; the worker
sees five again. Tasks of a `map` are chunks, and all spawned with the call; those of `imap` when
the pool draws them from the caller's iterable.
"""

from __future__ import annotations

import weakref
from _queue import SimpleQueue as ThreadQueue
from collections.abc import Iterable, Iterator
from multiprocessing.queues import SimpleQueue
from time import monotonic_ns
from typing import Any, Callable

from .._board_worker import leave
from .._notes import warn
from .._process import share_pool
from .._shared import SharedPool
from .._shared_worker import SharedWorker, present_worker
from .._tables import FAILED, FINISHED, NONE
from ._process_queues import Between, arrive, begin, board_pool, end
from ._telling import instances_of, made_at, missing_names, tell

CHUNKS = ("mapstar", "starmapstar")
RUN = "RUN"
THREADS = "thread pool"
TASK_PARTS = 5
"""job, place in it, function, arguments, keywords."""


def unfamiliar(module: Any) -> str:
    """Return what of the module is not as it is known here."""
    pool = module.Pool
    return (
        missing_names(pool.__init__, "_setup_queues", "_taskqueue", "_processes")
        or missing_names(pool._setup_queues, "_inqueue", "_outqueue", "_quick_put", "_writer")
        or missing_names(pool._handle_tasks, "taskqueue", "taskseq", "set_length")
        or missing_names(module.ThreadPool._setup_queues, "_inqueue", "_quick_put")
        or missing_names(module.worker, "get", "put", "job", "func", "args", "kwds")
    )


def hook(module: Any) -> None:
    """Hook every pool that is made from now on."""
    for pool in instances_of(module.Pool):
        warn("a %s made before the probe was installed is not probed", type(pool).__name__)
    tell(
        module.Pool,
        _inqueue=_tasks_set,
        _outqueue=_results_set,
        _taskqueue=_batches_set,
        _processes=_processes_set,
    )


class TellingTasks(Between, SimpleQueue):  # type: ignore[type-arg]
    """The queue of tasks, as the worker processes see it."""

    def get(self) -> Any:
        """Take a task, or None, which tells the worker to go."""
        arrive(self.idlehands)
        task = super().get()
        if task is None:
            if self.idlehands is not None:
                leave(self.idlehands)
        elif len(task) > TASK_PARTS:
            begin(self.idlehands, task[TASK_PARTS])
            task = task[:TASK_PARTS]
        return task


class TellingResults(Between, SimpleQueue):  # type: ignore[type-arg]
    """The queue of results, as the worker processes see it."""

    def put(self, obj: Any) -> None:
        """Send (job, place, (whether it succeeded, value)); None comes from the owner."""
        if obj is None:
            super().put(obj)
            return
        end(self.idlehands, not obj[2][0], lambda: super(TellingResults, self).put(obj))


class ThreadTasks(ThreadQueue):  # type: ignore[type-arg]
    """The queue of tasks of a pool of threads."""

    pool: SharedPool | None = None

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        """Take a task, or None, which tells the thread to go.

        A worker waits for its tasks; whoever does not wait empties the queue of a pool that ends.
        """
        worker = self._worker() if block else None
        task = super().get(block, timeout)
        if task is not None and len(task) > TASK_PARTS:
            if worker is not None:
                worker.running(task[TASK_PARTS])
            elif self.pool is not None:
                self.pool.cancelled(task[TASK_PARTS])
            task = task[:TASK_PARTS]
        return task

    def _worker(self) -> SharedWorker | None:
        worker = present_worker()
        if worker is None and self.pool is not None and not self.pool.off:
            worker = self.pool.newcomer()
        return worker if worker is not None and worker.pool is self.pool else None


class ThreadResults(ThreadQueue):  # type: ignore[type-arg]
    """The queue of results of a pool of threads."""

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Hand over (job, place, (whether it succeeded, value))."""
        worker = present_worker()
        if worker is not None and item is not None:
            worker.finished(FINISHED if item[2][0] else FAILED)
        super().put(item, block, timeout)


class Batches(ThreadQueue):  # type: ignore[type-arg]
    """The queue of what callers ask for, which a thread of the pool takes apart into tasks."""

    pool: SharedPool | None = None

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Hand in (tasks, a function that wants to know how many there were, or None)."""
        if item is not None and self.pool is not None and not self.pool.off:
            tasks, set_length = item
            spawned_ns = monotonic_ns() if set_length is None else NONE
            item = _with_tokens(self.pool, tasks, spawned_ns), set_length
        super().put(item, block, timeout)


def _with_tokens(pool: SharedPool, tasks: Iterable[Any], spawned_ns: int) -> Iterator[Any]:
    """Yield the tasks with their tokens; only the pool's own thread draws them."""
    if pool.on_bound is not None:
        pool.on_bound()
    for task in tasks:
        try:
            function, size = _describe(task[2], task[3])
            token = pool.queued(pool.kind_of(function), size, spawned_ns)
        except Exception as error:
            pool.failed(error)
            yield task
        else:
            yield (*task, token)


def _describe(function: Any, arguments: Any) -> tuple[Any, int]:
    """Return (the callable a task is named for, how many calls it is)."""
    if getattr(function, "__name__", "") in CHUNKS and len(arguments) == 1:
        return arguments[0][0], len(arguments[0][1])
    return function, NONE


def _tasks_set(_pool: Any, tasks: Any) -> Any:
    if isinstance(tasks, ThreadQueue):
        return ThreadTasks()
    tasks.__class__ = TellingTasks
    return tasks


def _results_set(_pool: Any, results: Any) -> Any:
    if isinstance(results, ThreadQueue):
        return ThreadResults()
    results.__class__ = TellingResults
    return results


def _batches_set(_pool: Any, _batches: Any) -> Any:
    return Batches()


def _processes_set(owner: Any, processes: int) -> int:
    """Declare the pool: its size is known now, and its first worker not yet started."""
    parts = owner.__dict__
    tasks, results = parts["_inqueue"], parts["_outqueue"]
    pool: SharedPool
    if isinstance(tasks, ThreadTasks):

        def make(name: str, number: int) -> SharedPool:
            return SharedPool(name, THREADS, number, processes)

        pool = tasks.pool = share_pool(made_at(), SharedPool, THREADS, make)
    else:
        board = board_pool(made_at(), "process pool", processes)
        tasks.idlehands = results.idlehands = board.link
        pool = board
    parts["_taskqueue"].pool = pool
    pool.still_open = _still_open(weakref.ref(owner), pool)
    return processes


def _still_open(owner: Callable[[], Any], pool: SharedPool) -> Callable[[], bool]:
    def still_open() -> bool:
        usable = getattr(owner(), "_state", None) == RUN
        return usable or any(probe.joined_ns >= 0 for probe in pool.probes)

    return still_open
