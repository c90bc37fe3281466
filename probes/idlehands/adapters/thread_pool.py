"""`concurrent.futures.ThreadPoolExecutor`, and the `InterpreterPoolExecutor` built on it.

Hooked where the executor stores its queue, whose `put` gives each task its token (`_thread_queues`,
`_work_items`), and at `_WorkItem.run`, which the worker's thread calls (`_work_runs`; CPython,
Lib/concurrent/futures/thread.py, 3.9 to 3.15).
"""

from __future__ import annotations

import threading
import weakref
from _queue import SimpleQueue
from threading import get_ident
from typing import Any

from .._job_objects import attributes_of, is_set, type_name
from .._shared import SharedPool
from .._shared_worker import SharedWorker, workers
from .._tables import MOST_WORKERS, NONE
from ._guard import failed, threads_are_replaced, warn_once
from ._instrumented import instances_of, instrument, missing_names
from ._thread_queues import Hooked, InstrumentedQueue, QueueReporter, is_known, reporter_of
from ._work_runs import Runs


def unfamiliar(module: Any) -> str:
    """Return how the module differs from the known code, empty where it does not."""
    executor, item = module.ThreadPoolExecutor, module._WorkItem
    return (
        missing_names(executor.__init__, "_work_queue", "_max_workers")
        or missing_names(executor.submit, "_work_queue", "put")
        or missing_names(item.run, "future")
        or missing_names(item.__init__, "future")
    )


def hook(module: Any) -> None:
    """Hook every executor, those that exist included."""
    Hooked.executor, Hooked.item = module.ThreadPoolExecutor, module._WorkItem
    instrument(Hooked.executor, _work_queue=_queue_set, _shutdown=_ending, _broken=_ending)
    stored = vars(Hooked.executor)["_work_queue"]
    Hooked.runs = Runs(Hooked.item, _joined_worker)
    Hooked.runs.hook()
    for executor in list(instances_of(Hooked.executor)):
        queue = attributes_of(executor).get("_work_queue")
        if queue is not None:
            stored.__set__(executor, queue)


class _Unseen:
    """The pool of the threads whose executor is not recorded: each is looked up only once."""

    pool: SharedPool | None = None


def _ending(executor: Any, ending: Any) -> Any:
    """Note that an executor is shut down or broken: it may drop what is queued."""
    queue = attributes_of(executor).get("_work_queue")
    if is_set(ending) and type(queue) is InstrumentedQueue and not queue.watched:
        queue.watch_for_emptying()
    return ending


def _queue_set(executor: Any, queue: Any) -> Any:
    """Return the queue that the executor will use: an instrumented one."""
    if reporter_of(queue) is not None:
        return queue
    if type(queue) is SimpleQueue:
        instrumented = InstrumentedQueue()
        reporter = QueueReporter(executor, queue)
        instrumented.stand_before(queue, reporter)
        reporter.hook(instrumented)
        return instrumented
    if is_known(queue):
        QueueReporter(executor, queue).hook(queue)
    else:
        names = type_name(type(executor)), type_name(type(queue))
        warn_once("pools of class %s are not probed: the queue, a %s, is not known", *names)
    return queue


def _joined_worker() -> SharedWorker:
    """Make the calling thread a worker of the executor that started it.

    The executor handed its thread the queue to serve and a reference to itself. A thread whose
    executor cannot be found becomes a worker of a pool that no reader sees.
    """
    pool = None
    try:
        # Not `current_thread`: for a thread that Python did not start that makes a new object.
        thread = threading._active.get(get_ident())  # type: ignore[attr-defined]
        handed = attributes_of(thread).get("_args")
        for thing in handed if type(handed) is tuple else ():
            reporter = reporter_of(_queue_in(thing))
            pool = reporter.open() if reporter is not None else pool
        if pool is not None and not pool.off:
            return pool.joined_worker()
    except Exception as error:
        failed(pool, error)
    if _Unseen.pool is None:
        _Unseen.pool = SharedPool("unseen", "thread pool", NONE, MOST_WORKERS)
    worker = _Unseen.pool.joined_worker()
    if threads_are_replaced():
        workers[get_ident()] = worker  # or it would be looked up with every task
    return worker


def _queue_in(handed: Any) -> Any:
    """Return the queue that a thread was handed, as it is or with its executor."""
    if type(handed) is weakref.ref:
        handed = handed()
    if issubclass(type(handed), Hooked.executor):
        return attributes_of(handed).get("_work_queue")
    return handed
