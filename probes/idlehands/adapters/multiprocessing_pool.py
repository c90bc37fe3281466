"""`multiprocessing.Pool` and its `ThreadPool`.

Hooked where the pool stores its queues (CPython, Lib/multiprocessing/pool.py, 3.9 to 3.13). Its
workers are started while it is made and keep their queues, so a pool that exists already cannot be
probed. A task is a tuple of five and travels with its token as the sixth; the worker gets five
again. So a pool is probed only if all of its queues are known, and no subclass overrides a method
that handles them. The tasks of a `map` are chunks, all spawned with the call. Those of `imap` are
spawned when the pool draws them from the caller's iterable.
"""

from __future__ import annotations

import weakref
from _queue import SimpleQueue as ThreadQueue
from collections.abc import Iterable, Iterator
from functools import partial
from multiprocessing.queues import SimpleQueue
from threading import get_ident
from time import monotonic_ns
from typing import Any, Callable

from .._job_objects import attributes_of, defined, type_name, whole
from .._notes import warn
from .._process import share_pool
from .._raised import error_in
from .._shared import SharedPool
from .._shared_worker import SharedWorker, workers
from .._tables import FAILED, FINISHED, NONE
from ._calls import in_batch
from ._guard import failed, warn_once
from ._instrumented import instances_of, instrument, missing_names, open_while
from ._places import made_at
from ._process_queues import Between, is_queue_of, slots_pool

STARTING, RUN = "INIT", "RUN"
THREADS = "thread pool"
TASK_PARTS = 5
"""job, place in it, function, arguments, keywords."""
HANDLERS = (
    "_setup_queues",
    "_repopulate_pool",
    "_repopulate_pool_static",
    "_handle_workers",
    "_handle_tasks",
    "_handle_results",
    "_help_stuff_finish",
)
"""The pool's methods that handle its queues."""


def unfamiliar(module: Any) -> str:
    """Return how the module differs from the known code, empty where it does not."""
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
    _Hooked.chunks += module.mapstar, module.starmapstar
    _Hooked.pools += module.Pool, module.ThreadPool
    for pool in instances_of(module.Pool):
        warn("a %s made before the probe was installed is not probed", type_name(type(pool)))
    instrument(
        module.Pool,
        _inqueue=_tasks_set,
        _outqueue=_results_set,
        _taskqueue=_batches_set,
        _processes=_processes_set,
    )


class _Hooked:
    """The modules' classes and functions to compare with, once they are hooked."""

    chunks: tuple[Any, ...] = ()
    pools: tuple[type, ...] = ()


class Tasks(Between):
    """The queue of tasks, as the worker processes see it."""

    def get(self) -> Any:
        """Take a task, or None, which ends the worker."""
        self.arrive()
        task = super().get()  # type: ignore[misc]
        if task is None:
            self.leave()
        elif has_token(task):
            self.begin(task[TASK_PARTS])
            task = task[:TASK_PARTS]
        return task


class Results(Between):
    """The queue of results, as the worker processes see it."""

    def put(self, obj: Any) -> None:
        """Send (job, place, (whether it succeeded, value)); None comes from the owner."""
        outcome, raised = ending_in(obj)
        if outcome == NONE:
            super().put(obj)  # type: ignore[misc]
            return
        self.end(outcome, raised)
        try:
            super().put(obj)  # type: ignore[misc]
        except BaseException as error:
            self.amend(error)
            raise


class InstrumentedTasks(Tasks, SimpleQueue):  # type: ignore[type-arg]
    """`Tasks` of the standard library's pool."""


class InstrumentedResults(Results, SimpleQueue):  # type: ignore[type-arg]
    """`Results` of the standard library's pool."""


OURS: dict[type, tuple[type, type]] = {SimpleQueue: (InstrumentedTasks, InstrumentedResults)}
"""What the queues of tasks and of results become, by the class that both are of."""


class ThreadTasks(ThreadQueue):  # type: ignore[type-arg]
    """The queue of tasks of a pool of threads."""

    pool: SharedPool | None = None

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        """Take a task, or None, which ends the thread.

        A worker waits for its tasks; a call that does not wait empties the queue of an ending pool.
        """
        worker = self._worker() if block is True else None
        task = super().get(block, timeout)
        if has_token(task):
            self._taken(worker, task[TASK_PARTS])
            task = task[:TASK_PARTS]
        return task

    def _worker(self) -> SharedWorker | None:
        """Return the worker that the calling thread is, made one with its first task."""
        pool = self.pool
        try:
            worker = workers.get(get_ident())
            if worker is None and pool is not None and not pool.off:
                worker = pool.joined_worker()
            return worker if worker is not None and worker.pool is pool else None
        except Exception as error:
            failed(pool, error)
            return None

    def _taken(self, worker: SharedWorker | None, token: Any) -> None:
        try:
            if worker is not None:
                worker.running(token)
            elif self.pool is not None:
                self.pool.cancelled(token)
        except Exception as error:
            failed(self.pool, error)


class ThreadResults(ThreadQueue):  # type: ignore[type-arg]
    """The queue of results of a pool of threads."""

    pool: SharedPool | None = None

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Hand over (job, place, (whether it succeeded, value))."""
        try:
            worker, (outcome, raised) = workers.get(get_ident()), ending_in(item)
            if worker is not None and outcome != NONE and worker.pool is self.pool:
                worker.finished(outcome, None if raised is None else error_in(raised))
        except Exception as error:
            failed(self.pool, error)
        super().put(item, block, timeout)


class Batches(ThreadQueue):  # type: ignore[type-arg]
    """The queue of the callers' requests, which a thread of the pool takes apart into tasks."""

    pool: SharedPool | None = None

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Hand in (tasks, a function that wants to know how many there were, or None)."""
        pool = self.pool
        if pool is not None and not pool.off and type(item) is tuple and len(item) == 2:
            tasks, set_length = item
            spawned_ns = monotonic_ns() if set_length is None else NONE
            item = _with_tokens(pool, tasks, spawned_ns), set_length
            if pool.on_bound is not None:
                pool.on_bound()
        super().put(item, block, timeout)


def has_token(task: Any) -> bool:
    """Return whether what was taken is a task with a token."""
    return type(task) is tuple and len(task) > TASK_PARTS


def ending_in(result: Any) -> tuple[int, Any]:
    """Return (outcome, what its task raised) of a result; -1 where it is no result of a task."""
    if type(result) is not tuple or len(result) != 3 or type(result[2]) is not tuple:
        return NONE, None
    done = result[2]
    if done and done[0] is True:
        return FINISHED, None
    return FAILED, done[-1] if done else None


def _with_tokens(pool: SharedPool, tasks: Iterable[Any], spawned_ns: int) -> Iterator[Any]:
    """Yield the tasks with their tokens; only the pool's own thread draws them."""
    for task in tasks:
        if type(task) is not tuple or len(task) != TASK_PARTS or pool.off:
            yield task
            continue
        try:
            function, size = _describe(task[2], task[3])
            token = pool.queued(pool.kind_of(function), size, spawned_ns)
        except Exception as error:
            failed(pool, error)
            yield task
        else:
            yield (*task, token)


def _describe(function: Any, arguments: Any) -> tuple[Any, int]:
    """Return (the callable a task is named for, how many calls it is)."""
    if any(function is chunk for chunk in _Hooked.chunks) and len(arguments) == 1:
        return arguments[0][0], len(arguments[0][1])
    return in_batch(function, arguments)


def _tasks_set(_pool: Any, tasks: Any) -> Any:
    # For threads at once: the pool is about to store the queue's methods.
    return ThreadTasks() if type(tasks) is ThreadQueue else tasks


def _results_set(_pool: Any, results: Any) -> Any:
    return ThreadResults() if type(results) is ThreadQueue else results


def _batches_set(_pool: Any, batches: Any) -> Any:
    return Batches() if type(batches) is ThreadQueue else batches


def _processes_set(owner: Any, processes: Any) -> Any:
    """Declare the pool: now its size is known, and no worker has started yet."""
    names = attributes_of(owner)
    tasks: Any = names.get("_inqueue")
    results: Any = names.get("_outqueue")
    batches: Any = names.get("_taskqueue")
    size = whole(processes)
    reason = _unknown(type(owner), tasks, results, batches)
    if reason or size is None:
        reason = reason or "how many workers they have is no whole number"
        warn_once("pools of class %s are not probed: %s", type_name(type(owner)), reason)
        return processes
    pool: SharedPool
    if type(tasks) is ThreadTasks:
        pool = tasks.pool = results.pool = _thread_pool(size)
    else:
        of_processes = slots_pool(made_at(), "process pool", size)
        tasks.__class__, results.__class__ = OURS[type(tasks)]
        tasks.idlehands = results.idlehands = of_processes.link
        pool = of_processes
    batches.pool = pool
    open_while(pool, partial(_is_usable, weakref.ref(owner)))
    return processes


def _unknown(owner: type, tasks: Any, results: Any, batches: Any) -> str:
    """Return what is unknown about a pool, empty where nothing is."""
    of_threads = type(tasks) is ThreadTasks and type(results) is ThreadResults
    of_processes = any(is_queue_of(tasks, cls) and is_queue_of(results, cls) for cls in OURS)
    if type(batches) is not Batches or not (of_threads or of_processes):
        names = ", ".join(type_name(type(queue)) for queue in (tasks, results))
        return f"their queues are not known: {names}"
    for name in HANDLERS:
        method = defined(owner, name)
        if all(method is not vars(pool).get(name) for pool in _Hooked.pools):
            return f"their {name} is not known"
    return ""


def _thread_pool(size: int) -> SharedPool:
    def make(name: str, number: int) -> SharedPool:
        return SharedPool(name, THREADS, number, size)

    return share_pool(made_at(), SharedPool, THREADS, make)


def _is_usable(owner: Callable[[], Any]) -> bool:
    state = attributes_of(owner()).get("_state")
    return type(state) is str and state in (STARTING, RUN)
