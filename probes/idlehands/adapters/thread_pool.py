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
from threading import get_ident
from time import monotonic_ns, thread_time_ns
from types import CodeType
from typing import Any, Callable

from .._notes import warn
from .._process import share_pool
from .._shared import SharedPool
from .._shared_worker import SKIPPED, SharedWorker, cpu_readers, present_worker, workers
from .._tables import CANCELLED, FAILED, FINISHED, INBOX, MOST_WORKERS, NONE
from .._words import SPAWN_BYTES, TASK_BYTES, pack_spawn, pack_task
from ._telling import instances_of, made_at, missing_names, tell

KNOWN_RUN = """
def run(self):
    if not self.future.set_running_or_notify_cancel():
        return

    try:
        result = self.fn(*self.args, **self.kwargs)
    except BaseException as exc:
        self.future.set_exception(exc)
        # Break a reference cycle with the exception 'exc'
        self = None
    else:
        self.future.set_result(result)
"""
"""`_WorkItem.run` of CPython 3.9 to 3.13."""
THEIR_CALL_LINE, OUR_CALL_LINE = 5, 18
"""Where the task is called, in lines after the one that begins the function."""

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
    _Runs.item, _Runs.theirs = item, item.run
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

        def take_step() -> None:
            if pool.every:  # before the first task that is only counted can be taken
                _Runs.sample()
            telling.put = _sampling_put(pool, put) if pool.every else _telling_put(pool, put)

        pool.on_step = take_step
        take_step()
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
    pool = share_pool(
        name, SharedPool, kind, lambda name, number: SharedPool(name, kind, number, workers)
    )

    def still_open() -> bool:
        owner = reference()
        usable = owner is not None and not owner._shutdown
        return usable or any(worker.joined_ns >= 0 for worker in pool.probes)

    pool.still_open = still_open
    return pool


def _telling_put(pool: SharedPool, put: Callable[..., None]) -> Callable[..., None]:
    """Return the hot path where a task is queued; the executor's lock makes it one at a time."""
    spawns, known, clock, ident = pool.spawns, pool.known, monotonic_ns, get_ident
    slots, mask = spawns.slots, spawns.mask

    def telling_put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        if item is not None:
            try:
                try:
                    kind = known[item.fn]
                except Exception:
                    kind = pool.kind_of(_function_of(item))
                task = spawns.next_number()
                words = spawns.words
                if words is None:
                    token = slots[task & mask] = (task, NONE, kind, clock(), ident(), NONE)
                else:
                    now = clock()
                    token = task, NONE, kind, now, ident(), NONE
                    pack_spawn(words, (task & mask) * SPAWN_BYTES, task | mask, now)
                item.idlehands = token
            except Exception as error:
                pool.failed(error)
        put(item)

    return telling_put


def _sampling_put(pool: SharedPool, put: Callable[..., None]) -> Callable[..., None]:
    """Return the same for a pool that gives up detail: most tasks are only counted."""

    def sampling_put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        if item is not None:
            try:
                task = pool.last_number = pool.spawns.next_number()
                if task & pool.every:
                    item.idlehands = SKIPPED
                else:
                    item.idlehands = pool.token(task, pool.kind_of(_function_of(item)))
            except Exception as error:
                pool.failed(error)
        put(item)

    return sampling_put


def _function_of(item: Any) -> Any:
    function = getattr(item, "fn", None)
    if function is None:
        task = getattr(item, "task", None)
        function = task[0] if isinstance(task, tuple) and task else item
    return function


def _telling_run(theirs: Any) -> Any:
    """Return a `run` that records, for the one the module has.

    If theirs is the one known here, ours does what it does with the recording in between; its
    code says that it is theirs, line by line, so that the traceback of a task reads as ever. Any
    other is wrapped.
    """
    if not _is_known(theirs.__code__):
        return _wrapped(theirs)
    ours: Any = _recording_run()
    first = theirs.__code__.co_firstlineno + THEIR_CALL_LINE - OUR_CALL_LINE
    ours.__code__ = ours.__code__.replace(
        co_filename=theirs.__code__.co_filename, co_firstlineno=first
    )
    ours.__qualname__, ours.__module__ = theirs.__qualname__, theirs.__module__
    return ours


def _is_known(code: CodeType) -> bool:
    names: dict[str, Any] = {}
    exec(KNOWN_RUN, names)  # noqa: S102 - the text above
    known = names["run"].__code__
    parts = ("co_code", "co_names", "co_varnames", "co_consts", "co_argcount")
    return all(getattr(code, part) == getattr(known, part) for part in parts)


def _recording_run() -> Callable[[Any], None]:
    """Return the hot path where a task is run: `KNOWN_RUN` with the recording in it."""
    clock, cpu_clock, ident, readers = monotonic_ns, thread_time_ns, get_ident, cpu_readers
    present = workers

    def run(self: Any) -> None:
        if not self.future.set_running_or_notify_cancel():
            _drop(self)
            return
        try:
            worker = present[ident()]
        except KeyError:
            worker = _newcomer()
        try:
            token = self.idlehands
        except AttributeError:
            token = worker.unseen(_function_of(self))
        mark = NONE
        if readers and token[2] in worker.cpu_kinds:
            mark = cpu_clock()
        worker.started = started = clock()
        worker.token = token
        try:
            result = self.fn(*self.args, **self.kwargs)
        except BaseException as exc:
            worker.put((token, started, clock(), INBOX, _since(mark), FAILED))
            self.future.set_exception(exc)
            # As theirs: break a reference cycle with the exception.
            self = None
        else:
            ended = clock()
            if mark >= 0:
                mark = cpu_clock() - mark
            number = worker.written
            words = worker.words
            if words is None:
                worker.slots[number & worker.mask] = (token, started, ended, INBOX, mark, FINISHED)
            else:  # what `TaskRing.put` does, without the calls
                task, parent, kind, spawned, by, size = token
                pack_task(
                    words,
                    (number & worker.mask) * TASK_BYTES,
                    number + 1,
                    task,
                    parent,
                    kind,
                    spawned,
                    by,
                    size,
                    started,
                    ended,
                    INBOX,
                    mark,
                    FINISHED,
                )
            worker.written = number + 1
            self.future.set_result(result)

    return run


class _Runs:
    """The `run` methods there are to choose from, once the module is hooked."""

    item: Any = None
    theirs: Any = None

    @classmethod
    def sample(cls) -> None:
        """From now on look at each task whether it is one to record."""
        if cls.item is not None:
            cls.item.run = _wrapped(cls.theirs)


def _since(mark: int) -> int:
    return thread_time_ns() - mark if mark >= 0 else NONE


def _drop(item: Any) -> None:
    """Record a task that had been cancelled when its turn came."""
    worker, token = present_worker() or _newcomer(), getattr(item, "idlehands", None)
    if token is not None:
        worker.pool.cancelled(token)


def _wrapped(theirs: Callable[..., None]) -> Callable[..., None]:
    find, ident = workers.get, get_ident

    def run(self: Any, *context: Any) -> None:
        worker = find(ident()) or _newcomer()
        token = getattr(self, "idlehands", None)
        if token is SKIPPED and not worker.after:
            worker.skipped += 1
            theirs(self, *context)
            self = None
            return
        worker.running(token or worker.unseen(_function_of(self)))
        theirs(self, *context)
        future = self.future
        if future._exception is not None:
            worker.finished(FAILED)
        else:
            worker.finished(FINISHED if future._state == "FINISHED" else CANCELLED)
        # An exception's traceback may keep this frame, and must not keep the task with it.
        self = future = None

    return run


def _newcomer() -> SharedWorker:
    """Make the calling thread a worker of the executor that started it.

    The executor handed its thread the queue to serve and a reference to itself. A thread that no
    executor is known for gets a worker of a pool that nobody sees, so that its task runs on.
    """
    try:
        for handed in getattr(threading.current_thread(), "_args", ()):
            owner = handed() if isinstance(handed, weakref.ref) else None
            queue = handed if owner is None else getattr(owner, "_work_queue", None)
            pool = getattr(queue, "pool", None)
            if type(pool) is SharedPool and not pool.off:
                return pool.newcomer()
    except Exception as error:
        warn("a thread's tasks are not recorded: %r", error)
    return SharedPool("unseen", "thread pool", NONE, MOST_WORKERS).newcomer()
