"""`concurrent.futures.ThreadPoolExecutor`, and the `InterpreterPoolExecutor` built on it.

Hooked where the executor stores its queue, whose `put` gives each task its token, and at
`_WorkItem.run`, which the worker's thread calls (CPython, Lib/concurrent/futures/thread.py, 3.9
to 3.15), see `_work_items` and `_work_runs`. A queue of the job's own takes part if it is of one of
the standard library's classes and has no method of its own.
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
from threading import get_ident
from types import FunctionType
from typing import Any, Callable

from .._names import attributes_of, bases_of, defined, is_set, text, type_name, whole, writable
from .._process import share_pool
from .._shared import SharedPool
from .._shared_worker import SharedWorker, workers
from .._tables import MOST_WORKERS, NONE
from ._guard import failed, threads_are_replaced, warn_once
from ._instrumented import (
    instances_of,
    instrument,
    length_of,
    made_at,
    missing_names,
    open_while,
    weakly,
)
from ._work_items import counting_put, recording_put
from ._work_runs import Runs, thinned

NUMBERED = re.compile(r"(Thread|Interpreter)PoolExecutor-\d+")
EMPTYING = ("shutdown", "_initializer_failed")
"""The executor's methods that take tasks out of the queue to drop them."""
OF_THE_LIBRARY = (queues.LifoQueue, queues.PriorityQueue, queues.Queue)
METHODS = ("put", "put_nowait", "get", "get_nowait", "qsize", "empty")
OVERRIDDEN = {*METHODS, "_put", "_get", "_qsize", "__getattribute__", "__getattr__", "__setattr__"}
LAST_CALL_FOR_THREADS = (3, 12) <= sys.version_info < (3, 12, 2)
"""These start no thread once the main thread has ended, though workers go on (mended in 3.12.2). So
the probe's own is started by who submits; elsewhere by the first worker, which so comes first where
the process may have only so many threads."""
USUAL_WORKERS = 32
"""The most that an executor has where the job does not say how many (the library's default)."""


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
    _Hooked.executor, _Hooked.item = module.ThreadPoolExecutor, module._WorkItem
    instrument(_Hooked.executor, _work_queue=_queue_set, _shutdown=_ending, _broken=_ending)
    stored = vars(_Hooked.executor)["_work_queue"]
    _Hooked.runs = Runs(_Hooked.item, _joined_worker)
    _Hooked.runs.hook()
    for executor in list(instances_of(_Hooked.executor)):
        queue = attributes_of(executor).get("_work_queue")
        if queue is not None:
            stored.__set__(executor, queue)


class _Hooked:
    """The module's classes, once it is hooked."""

    executor: Any = None
    item: Any = None
    runs: Any = None
    unseen: SharedPool | None = None
    """The pool of threads whose executor is in no record, so that they are looked at once only."""
    opening = threading.RLock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_Hooked.opening._at_fork_reinit)  # type: ignore[attr-defined]


class QueueReporter:
    """What is known of an executor's queue: whose it is, and the pool once there is a task."""

    def __init__(self, executor: Any, queue: Any) -> None:
        self.executor = weakref.ref(executor)
        self.site = made_at()
        self.pool: SharedPool | None = None
        self.queue: Callable[[], Any] = weakref.ref(queue)
        self.put: Callable[..., None] = _put_of(queue)

    def hook(self, queue: Any) -> None:
        """Be told of what is put into `queue` from now on."""
        self.queue = weakref.ref(queue)
        self._change_put(_first_put(self))

    def open(self) -> SharedPool | None:
        """Return the pool; only with the first task are the executor's name and size known."""
        with _Hooked.opening:
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
        open_while(pool, partial(_is_usable, self.executor))
        pool.expose_depths(partial(_depths, self.queue))
        pool.unhook = weakly(self.leave)
        pool.on_step = weakly(self.take_step)
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
            _Hooked.runs.be_careful()
            thinned[id(self)] = weakref.ref(self, partial(thinned.pop, id(self)))
        else:
            thinned.pop(id(self), None)
        make = counting_put if pool.every else recording_put
        self._change_put(make(pool, self.put, _Hooked.item))

    def leave(self) -> None:
        """Be told no more."""
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
    """Stands before an executor's queue, to which it passes all on; what is put it tells of.

    Its methods are those of the queue behind it. So nothing here refers to itself, and all of it
    is gone as soon as the executor and its threads are.
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
        """From now on record as cancelled what the executor itself takes out, to drop it."""
        take, reporter, known_item = self.get_nowait, self.reporter, _Hooked.item

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


def _put_of(queue: Any) -> Callable[..., None]:
    """Return what puts into a queue; one of the job's is not kept alive by it, for it has it."""
    if type(queue) is SimpleQueue:
        return queue.put
    put, reference = type(queue).put, weakref.ref(queue)
    return lambda item, block=True, timeout=None: put(reference(), item, block, timeout)


def _first_put(reporter: QueueReporter) -> Callable[..., None]:
    def first_put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        put: Callable[..., None] = reporter.put
        if type(item) is _Hooked.item:
            try:
                if reporter.open() is not None:
                    put = reporter.queue().put
            except RecursionError:  # a full stack: the next one is the first
                put = reporter.put
            except Exception as error:
                reporter.leave()
                failed(reporter.pool, error)
        put(item, block, timeout)

    return first_put


def _ending(executor: Any, ending: Any) -> Any:
    """Note that an executor is shut down or broken: it may drop what is queued."""
    queue = attributes_of(executor).get("_work_queue")
    if is_set(ending) and type(queue) is InstrumentedQueue and not queue.watched:
        queue.watch_for_emptying()
    return ending


def _queue_set(executor: Any, queue: Any) -> Any:
    """Return the queue that the executor will use: one that tells what is put into it."""
    if _reporter_of(queue) is not None:
        return queue
    if type(queue) is SimpleQueue:
        instrumented = InstrumentedQueue()
        reporter = QueueReporter(executor, queue)
        instrumented.stand_before(queue, reporter)
        reporter.hook(instrumented)
        return instrumented
    if _is_known(queue):
        QueueReporter(executor, queue).hook(queue)
    else:
        names = type_name(type(executor)), type_name(type(queue))
        warn_once("pools of class %s are not probed: the queue, a %s, is not known", *names)
    return queue


def _is_known(queue: Any) -> bool:
    """Say whether a queue is one of the library's, in all that concerns what is put into it."""
    library = next((cls for cls in OF_THE_LIBRARY if issubclass(type(queue), cls)), None)
    if library is None or attributes_of(queue).keys() & OVERRIDDEN:
        return False
    return all(defined(type(queue), name) is defined(library, name) for name in OVERRIDDEN)


def _reporter_of(queue: Any) -> QueueReporter | None:
    """Return what is told of a queue, None where nothing is."""
    if type(queue) is InstrumentedQueue:
        return queue.reporter
    put = attributes_of(queue).get("put")
    reporter = put.__dict__.get("reporter") if type(put) is FunctionType else None
    return reporter if type(reporter) is QueueReporter else None


def _pool_of(executor: Any, site: str) -> SharedPool:
    names = attributes_of(executor)
    prefix = writable(text(names.get("_thread_name_prefix")))
    name = site if not prefix or NUMBERED.fullmatch(prefix) else prefix
    classes = [type_name(cls) for cls in bases_of(type(executor))]
    kind = "interpreter pool" if "InterpreterPoolExecutor" in classes else "thread pool"
    workers = whole(names.get("_max_workers")) or USUAL_WORKERS
    return share_pool(
        name, SharedPool, kind, lambda name, number: SharedPool(name, kind, number, workers)
    )


def _is_usable(executor: Callable[[], Any]) -> bool:
    owner = executor()
    return owner is not None and not is_set(attributes_of(owner).get("_shutdown"))


def _depths(reference: Callable[[], Any]) -> tuple[int, tuple[int, ...]]:
    queue = reference()
    return (queue.qsize() if type(queue) is InstrumentedQueue else length_of(queue)), ()


def _joined_worker() -> SharedWorker:
    """Make the calling thread a worker of the executor that started it.

    The executor handed its thread the queue to serve and a reference to itself. A thread that no
    executor is known for becomes a worker of a pool that nobody sees.
    """
    pool = None
    try:
        # Not `current_thread`: for a thread that Python did not start that makes a new object.
        thread = threading._active.get(get_ident())  # type: ignore[attr-defined]
        handed = attributes_of(thread).get("_args")
        for thing in handed if type(handed) is tuple else ():
            reporter = _reporter_of(_queue_in(thing))
            pool = reporter.open() if reporter is not None else pool
        if pool is not None and not pool.off:
            return pool.joined_worker()
    except Exception as error:
        failed(pool, error)
    if _Hooked.unseen is None:
        _Hooked.unseen = SharedPool("unseen", "thread pool", NONE, MOST_WORKERS)
    worker = _Hooked.unseen.joined_worker()
    if threads_are_replaced():
        workers[get_ident()] = worker  # or it would be looked for with every task
    return worker


def _queue_in(handed: Any) -> Any:
    """Return the queue that a thread was handed, as it is or with its executor."""
    if type(handed) is weakref.ref:
        handed = handed()
    if issubclass(type(handed), _Hooked.executor):
        return attributes_of(handed).get("_work_queue")
    return handed
