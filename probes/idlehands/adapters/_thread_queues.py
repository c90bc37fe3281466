"""The queue of a thread pool's executor, and the reporter of the tasks that are put into it.

An executor's own queue gets an `InstrumentedQueue` before it. A queue of the job's takes part if it
is of one of the standard library's classes and overrides no method; its `put` alone is replaced.
"""

from __future__ import annotations

import os
import queue as queues
import re
import sys
import threading
import weakref
from _queue import SimpleQueue
from functools import partial
from types import FunctionType
from typing import Any, Callable

from .._job_objects import attributes_of, bases_of, defined, is_set, text, type_name, whole
from .._names import writable
from .._process import share_pool
from .._shared import SharedPool
from .._tables import NONE
from ._guard import failed
from ._instrumented import length_of, open_while, weakly
from ._places import made_at
from ._work_items import counting_put, recording_put
from ._work_runs import Runs, thinned

NUMBERED = re.compile(r"(Thread|Interpreter)PoolExecutor-\d+")
EMPTYING = ("shutdown", "_initializer_failed")
"""The executor's methods that take tasks out of the queue to drop them."""
OF_THE_LIBRARY = (queues.LifoQueue, queues.PriorityQueue, queues.Queue)
METHODS = ("put", "put_nowait", "get", "get_nowait", "qsize", "empty")
OVERRIDDEN = {*METHODS, "_put", "_get", "_qsize", "__getattribute__", "__getattr__", "__setattr__"}
LAST_CALL_FOR_THREADS = (3, 12) <= sys.version_info < (3, 12, 2)
"""These Pythons start no thread once the main thread has ended, though workers run on (fixed in
3.12.2). There the submitter starts the publisher; elsewhere the first worker does, which so comes
first in a process that may have only a few threads."""
USUAL_WORKERS = 32
"""The most workers of an executor whose size is not given (the library's default)."""


class Hooked:
    """The module's classes, once the module is hooked, and the lock for opening pools."""

    executor: Any = None
    item: Any = None
    runs: Runs
    opening = threading.RLock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=Hooked.opening._at_fork_reinit)  # type: ignore[attr-defined]


class QueueReporter:
    """Reports what is put into one executor's queue to the executor's pool.

    The pool is declared with the first task: only then are the executor's name and size known.
    """

    def __init__(self, executor: Any, queue: Any) -> None:
        self.executor = weakref.ref(executor)
        self.site = made_at()
        self.pool: SharedPool | None = None
        self.queue: Callable[[], Any] = weakref.ref(queue)
        self.put: Callable[..., None] = _put_of(queue)
        self.skipped = self._skipped_before = 0

    def hook(self, queue: Any) -> None:
        """Report what is put into `queue` from now on."""
        self.queue = weakref.ref(queue)
        self._change_put(_first_put(self))

    def open(self) -> SharedPool | None:
        """Return the pool, declared if need be; None where the executor is gone."""
        with Hooked.opening:
            owner = self.executor()
            if self.pool is None and owner is not None:
                pool = _pool_of(owner, self.site)
                try:
                    self._record_in(pool)
                except BaseException:
                    self.pool = None
                    pool.close()
                    raise
            return self.pool

    def _record_in(self, pool: SharedPool) -> None:
        self.pool = pool
        self._skipped_before = _skipped_of(pool)
        open_while(pool, partial(_is_usable, self.executor))
        pool.expose_depths(partial(_depths, self.queue))
        pool.unhook = weakly(self.leave)
        pool.on_step = weakly(self.take_step)
        pool.on_refresh = weakly(self.settle)
        self.take_step()
        if LAST_CALL_FOR_THREADS and pool.on_bound is not None:
            pool.on_bound()

    def take_step(self) -> None:
        """Record in the pool's present step of detail."""
        pool = self.pool
        if pool is None or pool.off:
            self.leave()
            return
        if pool.every:  # before the first task that is only counted can be taken
            thinned[id(self)] = weakref.ref(self, partial(thinned.pop, id(self)))
            Hooked.runs.be_careful()
            self._change_put(counting_put(pool, self.put, Hooked.item, self))
        else:
            self._change_put(recording_put(pool, self.put, Hooked.item))

    def settle(self) -> None:
        """Let items run quickly again once no item that is only counted can be taken any more.

        The publisher's thread calls this about once a second. It never waits for a lock: a thread
        that opens a pool may need what the publisher's caller holds.
        """
        if not Hooked.opening.acquire(blocking=False):
            return
        try:
            if self._is_clear():
                thinned.pop(id(self), None)
            Hooked.runs.be_quick()
        finally:
            Hooked.opening.release()

    def _is_clear(self) -> bool:
        """Return whether the queue holds no item that is only counted, and will get none."""
        pool = self.pool
        if pool is None or pool.closed_ns >= 0:
            return True
        return not pool.every and self.skipped <= _skipped_of(pool) - self._skipped_before

    def leave(self) -> None:
        """Report no more."""
        if self._is_clear():
            thinned.pop(id(self), None)
        queue = self.queue()
        if type(queue) is InstrumentedQueue:
            queue.put = self.put
        elif queue is not None:
            attributes_of(queue).pop("put", None)

    def _change_put(self, put: Any) -> None:
        put.reporter = self
        queue = self.queue()
        if type(queue) is InstrumentedQueue:
            queue.put = put
        elif queue is not None:
            attributes_of(queue)["put"] = put


class InstrumentedQueue(SimpleQueue):  # type: ignore[type-arg]
    """Stands before an executor's queue, passes everything on and reports what is put.

    Its methods are those of the queue behind it. So nothing here refers to itself, and all of it
    is freed as soon as the executor and its threads are.
    """

    __slots__ = (*METHODS, "reporter", "watched")

    put: Any
    get_nowait: Any

    def stand_before(self, queue: Any, reporter: QueueReporter) -> None:
        """Take the queue's methods."""
        self.reporter = reporter
        self.watched = False
        for name in METHODS:
            setattr(self, name, getattr(queue, name))

    def watch_for_emptying(self) -> None:
        """From now on record the tasks as cancelled that the executor itself takes out to drop."""
        take, reporter, known_item = self.get_nowait, self.reporter, Hooked.item

        def get_nowait() -> Any:
            item = take()
            try:
                if type(item) is known_item and sys._getframe(1).f_code.co_name in EMPTYING:
                    token = attributes_of(item).get("idlehands")
                    if token is not None and reporter.pool is not None:
                        reporter.pool.cancelled(token)
            except Exception as error:
                failed(reporter.pool, error)
            return item

        self.get_nowait = get_nowait
        self.watched = True


def is_known(queue: Any) -> bool:
    """Return whether a queue is one of the library's, in all that concerns what is put into it."""
    library = next((cls for cls in OF_THE_LIBRARY if issubclass(type(queue), cls)), None)
    if library is None or attributes_of(queue).keys() & OVERRIDDEN:
        return False
    return all(defined(type(queue), name) is defined(library, name) for name in OVERRIDDEN)


def reporter_of(queue: Any) -> QueueReporter | None:
    """Return the reporter of a queue, None where it has none."""
    if type(queue) is InstrumentedQueue:
        return queue.reporter
    put = attributes_of(queue).get("put")
    reporter = put.__dict__.get("reporter") if type(put) is FunctionType else None
    return reporter if type(reporter) is QueueReporter else None


def _put_of(queue: Any) -> Callable[..., None]:
    """Return the function that puts into a queue. It does not keep a queue of the job's alive."""
    if type(queue) is SimpleQueue:
        return queue.put
    put, reference = type(queue).put, weakref.ref(queue)
    return lambda item, block=True, timeout=None: put(reference(), item, block, timeout)


def _first_put(reporter: QueueReporter) -> Callable[..., None]:
    def first_put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        put: Callable[..., None] = reporter.put
        if type(item) is Hooked.item:
            try:
                if reporter.open() is not None:
                    put = reporter.queue().put
            except RecursionError:  # a full stack: the next item is the first
                put = reporter.put
            except Exception as error:
                reporter.leave()
                failed(reporter.pool, error)
        put(item, block, timeout)

    return first_put


def _skipped_of(pool: SharedPool) -> int:
    """Return how many tasks a pool's workers have counted and not recorded."""
    return sum(int(worker.skipped) for worker in pool.probes[:])


def _pool_of(executor: Any, site: str) -> SharedPool:
    names = attributes_of(executor)
    prefix = writable(text(names.get("_thread_name_prefix")))
    name = site if not prefix or NUMBERED.fullmatch(prefix) else prefix
    classes = [type_name(cls) for cls in bases_of(type(executor))]
    kind = "interpreter pool" if "InterpreterPoolExecutor" in classes else "thread pool"
    most = whole(names.get("_max_workers")) or NONE
    workers = most if most > 0 else USUAL_WORKERS
    pool = share_pool(
        name, SharedPool, kind, lambda name, number: SharedPool(name, kind, number, workers)
    )
    pool.most_workers = max(pool.most_workers, most)
    return pool


def _is_usable(executor: Callable[[], Any]) -> bool:
    owner = executor()
    return owner is not None and not is_set(attributes_of(owner).get("_shutdown"))


def _depths(reference: Callable[[], Any]) -> tuple[int, tuple[int, ...]]:
    queue = reference()
    return (queue.qsize() if type(queue) is InstrumentedQueue else length_of(queue)), ()
