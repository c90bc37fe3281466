"""The queues that feed a job's own threads, and the state of each.

The state of a queue is stored by the queue's identity, for as long as the queue exists. All
functions are called under the queue's own lock.
"""

from __future__ import annotations

import os
import weakref
from functools import partial
from types import CodeType, FunctionType
from typing import Any, Callable, ClassVar

from .._job_objects import attributes_of, defined
from .._shared import SharedPool
from .._shared_worker import release
from ._guard import failed
from ._places import Place
from ._queue_things import Watch
from ._queue_tokens import Waiting, counting, recording

OWN_METHODS = {"_get", "_put", "_qsize", "get", "put", "task_done"}


class Library:
    """The library's classes and functions to compare with, once the library is hooked."""

    queue: Any = None
    last_in_first_out: Any = None
    get: CodeType | None = None
    shutdown: CodeType | None = None
    methods: ClassVar[set[FunctionType]] = set()


sites: dict[int, tuple[Any, Place]] = {}
"""By the identity of every queue: what forgets it, and where it was made."""
served: dict[int, Served] = {}
"""By the identity of every queue that has workers."""
in_hand: dict[int, Served] = {}
"""By the identifier of a thread: the queue whose task it runs."""
doubtful: dict[SharedPool, Served] = {}
"""Pools of queues that give out what came last, as long as such a queue may hold things and not
tasks. A thread that takes from another queue becomes a worker of that one."""

if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=in_hand.clear)
    os.register_at_fork(after_in_child=doubtful.clear)


class Served:
    """The state of one queue; nothing is recorded where it has no pool."""

    __slots__ = ("__weakref__", "pool", "put", "reference", "waiting", "watch")

    def __init__(self, queue: Any) -> None:
        self.reference = weakref.ref(queue, partial(served.pop, id(queue)))
        self.pool: SharedPool | None = None
        self.waiting = Waiting()
        self.watch: Watch | None = Watch()
        self.put: Callable[[Any, Any], None] = _nothing

    def take_step(self) -> None:
        """Record in the pool's present step of detail."""
        pool = self.pool
        if pool is not None:
            make = counting if pool.every else recording
            put = make(pool, self.waiting)
            self.put = put if self.watch is None else partial(self._watched_put, put)

    def _watched_put(self, put: Callable[[Any, Any], None], queue: Any, item: Any) -> None:
        pool, watch = self.pool, self.watch
        try:
            if watch is not None and watch.put(item):
                self._leave_out()
                return
        except Exception as error:
            failed(pool, error)
        put(queue, item)

    def check(self, watch: Watch, item: Any) -> None:
        """Note that an item was taken, from a queue that may hold things."""
        watch.taken(item)
        if watch.is_over:
            self.watch = None
            self.take_step()
            if self.pool is not None:
                doubtful.pop(self.pool, None)

    def _leave_out(self) -> None:
        """Withdraw what was recorded: the queue holds things and has no pool."""
        pool = self.pool
        self.leave()
        self.watch = None
        if pool is not None:
            pool.unhook()
            pool.unwanted = pool.off = True
            for worker in pool.probes[:]:
                release(worker)

    def leave(self) -> None:
        """Record no more."""
        if self.pool is not None:
            doubtful.pop(self.pool, None)
        self.pool, self.put = None, _nothing
        self.waiting.clear()


def unknown(queue: Any) -> str:
    """Return what is unknown about a queue, empty where nothing is."""
    own = OWN_METHODS & attributes_of(queue).keys()
    if own:
        return f"one has a {min(own)} of its own"
    for name in ("_put", "_get"):
        method = defined(type(queue), name)
        if any(method is ours for ours in Library.methods):
            continue
        if type(method) is not FunctionType or name not in method.__code__.co_names:
            return f"their {name} goes another way"
    return ""


def _nothing(_queue: Any, _item: Any) -> None:
    """Record nothing of an item that was put."""
