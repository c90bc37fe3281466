"""`concurrent.futures.ThreadPoolExecutor`, and the `InterpreterPoolExecutor` built on it.

Hooked where the executor stores its queue, whose `put` gives each task its token, and at
`_WorkItem.run`, which the worker's thread calls (CPython, Lib/concurrent/futures/thread.py, 3.9
to 3.13; a later `run` takes one more argument, which is passed on).
"""

from __future__ import annotations

import re
import sys
import threading
import weakref
from _queue import SimpleQueue
from time import monotonic_ns, thread_time_ns
from typing import Any, Callable

from .._process import share_pool
from .._shared import SharedPool, SharedWorker, here
from .._tables import CANCELLED, FAILED, FINISHED, INBOX, NONE
from ._telling import instances_of, made_at, missing_names, tell

NUMBERED = re.compile(r"(Thread|Interpreter)PoolExecutor-\d+")
EMPTYING = ("shutdown", "_initializer_failed")
"""The executor's methods that take tasks out of the queue to drop them."""


def unfamiliar(module: Any) -> str:
    """Return what of the module is not as it is known here."""
    executor, item = module.ThreadPoolExecutor, module._WorkItem
    return (
        missing_names(executor.__init__, "_work_queue", "_max_workers")
        or missing_names(executor.submit, "_work_queue", "put")
        or missing_names(item.run, "future")
        or missing_names(item.__init__, "future")
    )


def hook(module: Any) -> None:
    """Hook every executor, those that exist included."""
    executors, item = module.ThreadPoolExecutor, module._WorkItem
    tell(executors, _work_queue=_queue_set, _shutdown=_ending, _broken=_ending)
    item.run = _telling_run(item.run)
    for executor in list(instances_of(executors)):
        queue = executor.__dict__.get("_work_queue")
        if queue is not None:
            executor._work_queue = queue


class TellingQueue(SimpleQueue):  # type: ignore[type-arg]
    """The executor's queue, or a stand-in for the one its workers hold already."""

    pool: SharedPool | None = None
    watched = False

    def watch_for_emptying(self) -> None:
        """From now on record as cancelled what the executor itself takes out, to drop it."""
        take = self.get_nowait

        def get_nowait() -> Any:
            item = take()
            token = getattr(item, "idlehands", None)
            emptied = sys._getframe(1).f_code.co_name in EMPTYING
            if emptied and token is not None and self.pool is not None:
                self.pool.cancelled(token)
            return item

        self.get_nowait = get_nowait  # type: ignore[method-assign]
        self.watched = True

    def stand_in_for(self, queue: Any) -> None:
        """Pass everything on to `queue`."""
        for name in ("put", "put_nowait", "get", "get_nowait", "qsize", "empty"):
            setattr(self, name, getattr(queue, name))


def _ending(executor: Any, ending: Any) -> Any:
    """Note that an executor is shut down or broken: it may drop what is queued."""
    queue = executor.__dict__.get("_work_queue")
    if ending and isinstance(queue, TellingQueue) and not queue.watched:
        queue.watch_for_emptying()
    return ending


def _queue_set(executor: Any, queue: Any) -> Any:
    """Return the queue that the executor will use: one that tells what is put into it."""
    if isinstance(queue, TellingQueue):
        return queue
    telling: Any = queue
    if type(queue) is SimpleQueue:
        telling = TellingQueue()
        if executor.__dict__.get("_threads"):
            telling.stand_in_for(queue)
    put, site, reference = telling.put, made_at(), weakref.ref(executor)

    def first_put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        # Only now are the executor's name and size known, and only now is there a pool to show.
        owner = reference()
        if item is None or owner is None:
            put(item)
            return
        pool = telling.pool = _pool_of(owner, reference, site)
        pool.unhook = lambda: setattr(telling, "put", put)
        pool.expose_depths(lambda: (telling.qsize(), ()))
        telling.put = _telling_put(pool, put)
        telling.put(item)

    telling.put = first_put
    return telling


def _pool_of(executor: Any, reference: Callable[[], Any], site: str) -> SharedPool:
    prefix = str(executor.__dict__.get("_thread_name_prefix", ""))
    name = site if not prefix or NUMBERED.fullmatch(prefix) else prefix
    kind = (
        "interpreter pool" if type(executor).__name__.startswith("Interpreter") else "thread pool"
    )
    workers = executor._max_workers
    pool = share_pool(name, lambda name, number: SharedPool(name, kind, number, workers))

    def still_open() -> bool:
        owner = reference()
        usable = owner is not None and not owner._shutdown
        return usable or any(worker.joined_ns >= 0 for worker in pool.probes)

    pool.still_open = still_open
    return pool


def _telling_put(pool: SharedPool, put: Callable[..., None]) -> Callable[..., None]:
    """Return the hot path where a task is queued; the executor's lock makes it one at a time."""
    spawns, known, clock = pool.spawns, pool.known, monotonic_ns
    slots, mask = spawns.slots, spawns.mask

    def telling_put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        if item is not None:
            try:
                try:
                    function = item.fn
                    module, kind = known[function.__qualname__]
                    if module is not function.__module__:
                        kind = pool.kind_of(function)
                except (AttributeError, KeyError):
                    kind = pool.kind_of(_function_of(item))
                worker = here.worker
                by = parent = NONE
                if worker is not None and worker.pool is pool:
                    by = worker.index
                    if worker.token is not None:
                        parent = worker.token[0]
                task = spawns.next_number()
                item.idlehands = token = (task, parent, kind, clock(), by, NONE)
                slots[task & mask] = token
            except Exception as error:
                pool.failed(error)
        put(item)

    return telling_put


def _function_of(item: Any) -> Any:
    function = getattr(item, "fn", None)
    if function is None:
        task = getattr(item, "task", None)
        function = task[0] if isinstance(task, tuple) and task else item
    return function


def _telling_run(original: Callable[..., None]) -> Callable[..., None]:
    """Return the hot path where a task is run."""
    clock, cpu_clock = monotonic_ns, thread_time_ns

    def run(self: Any, *context: Any) -> None:
        worker = here.worker
        if worker is None:
            worker = _newcomer()
        if worker is None or worker.token is not None:  # not an executor's thread, or inside a task
            original(self, *context)
            self = None
            return
        token = self.__dict__.get("idlehands")
        if token is None:
            token = worker.pool.queued(worker.pool.kind_of(_function_of(self)))
        mark = NONE
        if worker.cpu_kinds and token[2] in worker.cpu_kinds:
            mark = cpu_clock()
        worker.started = started = clock()
        worker.token = token
        original(self, *context)
        ended = clock()
        if mark >= 0:
            mark = cpu_clock() - mark
        future = self.future
        outcome = FINISHED
        if future._exception is not None:
            outcome = FAILED
        elif future._state != "FINISHED":
            outcome = CANCELLED
        # An exception's traceback may keep this frame, and must not keep the task with it.
        self = future = None
        ring = worker.tasks
        number = ring.written
        ring.slots[number & ring.mask] = (token, started, ended, INBOX, mark, outcome)
        ring.written = number + 1
        worker.token = None

    return run


def _newcomer() -> SharedWorker | None:
    """Make the calling thread a worker of the executor that started it, if one did.

    The executor handed its thread the queue to serve and a reference to itself.
    """
    for handed in getattr(threading.current_thread(), "_args", ()):
        owner = handed() if isinstance(handed, weakref.ref) else None
        queue = handed if owner is None else getattr(owner, "_work_queue", None)
        pool = getattr(queue, "pool", None)
        if isinstance(pool, SharedPool) and not pool.off:
            return pool.newcomer()
    return None
