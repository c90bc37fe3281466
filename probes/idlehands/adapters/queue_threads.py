"""Threads that a job makes itself and feeds through a `queue.Queue`.

A thread that takes an item from such a queue becomes a worker of it, if the thread runs code of
the job's (its target is not the standard library's or a pool's) and is no worker already. A task
is an item other than None: from when it is taken until `task_done`, or until the thread asks for
the next one. Its kind is the item's callable (the item itself, or the first of a tuple), else the
item's type.

Hooked at the three methods with which `queue.Queue` and its kin do what they do under their lock,
``_qsize``, ``_put`` and ``_get``, and at the attribute that counts unfinished tasks (CPython,
Lib/queue.py, 3.9 to 3.13): none of them is on the way of an exception that `get` raises.
"""

from __future__ import annotations

import os
import sys
import sysconfig
import threading
import weakref
from typing import Any, Callable

from .._process import share_pool
from .._rings import Token
from .._shared import SharedPool
from .._shared_worker import SharedWorker, present_worker
from .._tables import NONE
from ._telling import POOL_PACKAGES, made_at, missing_names

KIND = "queue and threads"
MOST_WORKERS_EXPECTED = 16
LIBRARY = sysconfig.get_path("stdlib") + os.sep
STAMPS = "_idlehands_tokens"
POOL = "_idlehands_pool"
SITE = "_idlehands_site"


def unfamiliar(module: Any) -> str:
    """Return what of the module is not as it is known here."""
    cls = module.Queue
    return (
        missing_names(cls.get, "not_empty", "_qsize", "_get")
        or missing_names(cls.put, "_put", "unfinished_tasks")
        or missing_names(cls.task_done, "unfinished_tasks", "all_tasks_done")
        or missing_names(cls.__init__, "unfinished_tasks")
    )


def hook(module: Any) -> None:
    """Hook every queue of the module's own three classes, those in use included."""
    takes = module.Queue.get.__code__
    for cls in (module.Queue, module.LifoQueue, module.PriorityQueue):
        cls._qsize = _telling_qsize(cls._qsize, takes)
        cls._put = _telling_put(cls._put)
        cls._get = _telling_get(cls._get)
    module.Queue.unfinished_tasks = _Unfinished()


class _Unfinished:
    """The attribute that `task_done` counts down: set by a worker, it ends the worker's task."""

    def __set__(self, queue: Any, count: int) -> None:
        names = queue.__dict__
        before = names.get("unfinished_tasks")
        names["unfinished_tasks"] = count
        if before is None:
            names[SITE] = made_at()
        elif count < before:
            _end_task(queue)


def _end_task(queue: Any) -> None:
    worker = present_worker()
    if worker is not None and worker.pool is queue.__dict__.get(POOL):
        worker.finished()


def _telling_qsize(qsize: Callable[[Any], int], takes: Any) -> Callable[[Any], int]:
    def _qsize(self: Any) -> int:
        worker = present_worker()
        in_task = worker is not None and worker.open_token is not None
        if in_task and sys._getframe(1).f_code is takes:
            _end_task(self)  # asked for by `get`: the worker wants its next task
        return qsize(self)

    return _qsize


def _telling_put(put: Callable[[Any, Any], None]) -> Callable[[Any, Any], None]:
    def _put(self: Any, item: Any) -> None:
        pool = self.__dict__.get(POOL)
        if pool is not None and item is not None and not pool.off:
            try:
                # By identity: what is queued is alive, and so nothing else has its identity.
                token = pool.queued(pool.kind_of(_callable_of(item)))
                self.__dict__[STAMPS].setdefault(id(item), []).append(token)
            except Exception as error:
                pool.failed(error)
        put(self, item)

    return _put


def _telling_get(get: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def _get(self: Any) -> Any:
        item = get(self)
        if item is not None:
            try:
                _begin_task(self, item)
            except Exception as error:
                pool = self.__dict__.get(POOL)
                if pool is not None:
                    pool.failed(error)
        return item

    return _get


def _begin_task(queue: Any, item: Any) -> None:
    pool: SharedPool | None = queue.__dict__.get(POOL)
    token = _token_of(queue, item) if pool is not None else None
    worker = present_worker()
    if worker is None:
        worker = _newcomer(queue)
        pool = queue.__dict__.get(POOL)
    if pool is None:
        return
    if token is None:  # it was queued before the pool was known
        token = _token_of(queue, item) or pool.queued(pool.kind_of(_callable_of(item)))
    if worker is not None and worker.pool is pool and worker.open_token is None:
        worker.running(token)
    else:
        pool.cancelled(token)  # somebody else took it: no worker will run it


def _token_of(queue: Any, item: Any) -> Token | None:
    stamps = queue.__dict__[STAMPS]
    tokens = stamps.get(id(item))
    if not tokens:
        return None
    token: Token = tokens.pop(0)
    if not tokens:
        del stamps[id(item)]
    return token


def _newcomer(queue: Any) -> SharedWorker | None:
    """Make the calling thread a worker of `queue`, if it is the job's own thread."""
    thread = threading.current_thread()
    if thread is threading.main_thread() or not _runs_the_jobs_code(thread):
        return None
    pool: SharedPool | None = queue.__dict__.get(POOL)
    if pool is None:
        pool = _open_pool(queue)
    return None if pool.off else pool.newcomer()


def _runs_the_jobs_code(thread: threading.Thread) -> bool:
    target = getattr(thread, "_target", None)
    if target is None:
        target = type(thread).run
    target = getattr(target, "__func__", target)
    code = getattr(target, "__code__", None)
    if code is None:
        return False
    package = str(getattr(target, "__module__", "")).partition(".")[0]
    library = code.co_filename.startswith(LIBRARY) and "site-packages" not in code.co_filename
    return package not in POOL_PACKAGES and not library


def _open_pool(queue: Any) -> SharedPool:
    names = queue.__dict__
    reference = weakref.ref(queue)
    site = names.get(SITE) or "queue"

    def make(name: str, number: int) -> SharedPool:
        return SharedPool(name, KIND, number, MOST_WORKERS_EXPECTED)

    pool = share_pool(site, SharedPool, KIND, make)
    pool.still_open = lambda: (
        reference() is not None or any(probe.joined_ns >= 0 for probe in pool.probes)
    )
    pool.expose_depths(lambda: (_length(reference()), ()))
    stamps: dict[int, list[Token]] = {}
    for item in list(getattr(queue, "queue", ())):  # under the queue's lock
        if item is not None:
            stamps.setdefault(id(item), []).append(pool.queued(pool.kind_of(_callable_of(item))))
    names[STAMPS] = stamps
    names[POOL] = pool
    return pool


def _length(queue: Any) -> int:
    held = getattr(queue, "queue", None)  # without the lock, which a worker may hold
    return len(held) if held is not None else NONE


def _callable_of(item: Any) -> Any:
    if callable(item):
        return item
    if isinstance(item, tuple) and item and callable(item[0]):
        return item[0]
    return type(item)
