"""Records the tasks of queues that feed a job's own threads, see `queue_threads`.

All functions are called under the queue's own lock. The state of a queue is in `_served_queues`,
that of its items in `_queue_tokens`.
"""

from __future__ import annotations

import os
import sys
import threading
import weakref
from functools import partial
from threading import get_ident
from time import monotonic_ns, thread_time_ns
from typing import Any

from .._detail import nanoseconds_of
from .._job_objects import type_name
from .._process import share_pool
from .._shared import SharedPool
from .._shared_worker import SKIPPED, SharedWorker, release, workers
from .._tables import FINISHED, INBOX, NONE
from .._worker import LEAST_ROWS_PER_WORKER
from ._guard import failed, warn_once
from ._instrumented import (
    length_of,
    open_while,
)
from ._job_threads import here, is_one_of_the_jobs
from ._places import Place, place_of
from ._queue_tokens import held_by
from ._served_queues import Library, Served, doubtful, in_hand, served, sites, unknown

KIND = "queue and threads"
MOST_WORKERS_EXPECTED = 16
_prices: list[float] = []


class _Opening:
    """The lock under which a queue is given its pool; a signal handler may take it again."""

    lock = threading.RLock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_Opening.lock._at_fork_reinit)  # type: ignore[attr-defined]

serving, task_of = served.get, in_hand.get
"""Bound here: a method of an imported object costs its callers more to look up."""


class QueuePool(SharedPool):
    """The threads that are fed through a queue, or each through one of a library's queues.

    Attributes: feeds (the states of its queues), place (where they were made).
    """

    __slots__ = ("feeds", "place")

    def __init__(self, name: str, kind: str, number: int, most_workers: int) -> None:
        super().__init__(name, kind, number, most_workers)
        self.feeds: list[Served] = []
        self.place: Place | None = None

    def fed_by(self, state: Served) -> None:
        """Take in one more queue."""
        self.feeds = [*(one for one in self.feeds if one.reference() is not None), state]

    def is_fed(self) -> bool:
        """Return whether one of its queues is left."""
        return any(state.reference() is not None for state in self.feeds)

    def queued_now(self) -> tuple[int, tuple[int, ...]]:
        """Return how many items are queued; there are no deques."""
        return sum(length_of(state.reference()) for state in self.feeds), ()

    def leave_queues(self) -> None:
        """Record no more of what its queues take and give."""
        for state in self.feeds:
            state.leave()

    def take_step(self) -> None:
        """Have its queues record in the present step of detail."""
        for state in self.feeds:
            state.take_step()

    def forget(self) -> None:
        """Free the memory."""
        super().forget()
        self.feeds = []

    def price(self) -> tuple[float, float]:
        """Return nanoseconds that an item costs, (recorded, counted)."""
        if not _prices:
            _prices.extend(_price_at(step) for step in (0, self.last_step))
        return _prices[0], _prices[1]


def _price_at(step: int) -> float:
    """Return what an item of a scratch queue costs at a step of detail, in the calling thread."""
    queue, me = Library.queue(), get_ident()
    pool = QueuePool("calibration", KIND, NONE, MOST_WORKERS_EXPECTED)
    pool.turn_to(step)
    state = served[id(queue)] = Served(queue)
    state.pool, state.watch = pool, None
    state.take_step()

    def record() -> None:
        state.put(queue, _price_at)
        taken(queue, _price_at)
        ended(queue)

    former, workers[me] = workers.get(me), SharedWorker(pool, 0, LEAST_ROWS_PER_WORKER)
    try:
        return nanoseconds_of(record)
    finally:
        del workers[me]
        if former is not None:
            workers[me] = former


def created(queue: Any) -> None:
    """Note where a queue was made."""
    try:
        key = id(queue)
        if key not in sites:
            reference = weakref.ref(queue, partial(sites.pop, key))
            sites[key] = reference, place_of(sys._getframe(2))
    except Exception as error:
        failed(None, error)


def asked(queue: Any) -> None:
    """End the calling thread's task if `get` asks for the length: it wants the next item."""
    if sys._getframe(2).f_code is Library.get:
        ended(queue)


def ended(queue: Any) -> None:
    """End the calling thread's task, if it took it from this queue."""
    me = get_ident()
    state = task_of(me)
    if state is not None and state is serving(id(queue)):
        _end(me, state)


def _end(me: int, state: Served) -> None:
    pool = state.pool
    try:
        del in_hand[me]
        worker = workers.get(me)
        if worker is None or worker.pool is not pool or pool is None or worker.token is None:
            return
        if worker.packed is not None or pool.every:
            worker.finished()
            return
        ended = monotonic_ns()
        mark = worker.mark
        if mark >= 0:
            mark = thread_time_ns() - mark
        number = worker.written
        row = worker.token, worker.started, ended, INBOX, mark, FINISHED
        worker.slots[number & worker.mask] = row
        worker.written = number + 1
    except Exception as error:
        failed(pool, error)


def taken(queue: Any, item: Any) -> None:
    """Begin the task of an item that the calling thread has taken."""
    pool = None
    try:
        me = get_ident()
        worker = workers.get(me)
        if worker is None and not here.is_stranger:
            worker = _joined_worker(queue)
        state = serving(id(queue))
        if doubtful and worker is not None and _goes_over(worker, state):
            worker, state = _joined_worker(queue), serving(id(queue))
        if state is None or state.pool is None:
            return
        pool = state.pool
        if state.watch is not None:
            state.check(state.watch, item)
        token: Any = state.waiting.pop(id(item), None)
        if type(token) is not tuple:
            token = state.waiting.take(pool, item, token)
        if worker is None or worker.pool is not pool:
            if token is not SKIPPED:
                pool.cancelled(token)  # no worker took it, so none will run it
            return
        if me in in_hand:  # it was not `get` that took this item
            if sys._getframe(2).f_code is Library.shutdown:
                pool.cancelled(token)
                return
            _end(me, in_hand[me])
        if worker.after or token is SKIPPED:
            worker.running(token)
            if token is SKIPPED:
                return
        else:
            kinds = worker.cpu_kinds
            worker.mark = thread_time_ns() if kinds and token[2] in kinds else NONE
            worker.started = monotonic_ns()
            worker.token = token
        in_hand[me] = state
    except Exception as error:
        failed(pool, error)


def _goes_over(worker: SharedWorker, state: Served | None) -> bool:
    """Release a worker of a doubtful queue that has taken from another queue."""
    goes = worker.pool in doubtful and (state is None or worker.pool is not state.pool)
    if goes:
        release(worker)
    return goes


def _joined_worker(queue: Any) -> SharedWorker | None:
    """Make the calling thread a worker of `queue`, if it is the job's own thread."""
    if not is_one_of_the_jobs():
        return None
    state = serving(id(queue)) or _serve(queue)
    pool = state.pool
    if pool is None or pool.off:
        return None
    in_hand.pop(get_ident(), None)
    return pool.joined_worker()


def _serve(queue: Any) -> Served:
    """Declare the pool of a queue that has got its first worker."""
    state = served[id(queue)] = Served(queue)
    reason = unknown(queue)
    if reason:
        warn_once(
            "threads fed by queues of class %s are not probed: %s", type_name(type(queue)), reason
        )
        return state
    with _Opening.lock:
        pool = _pool_of(sites.get(id(queue), (None, None))[1])
        pool.fed_by(state)
        state.pool = pool
        if pool.closed_ns >= 0:  # its other queues have gone just now
            pool.open_again()
        open_while(pool, pool.is_fed)
    pool.expose_depths(pool.queued_now)
    pool.unhook, pool.on_step = pool.leave_queues, pool.take_step
    if issubclass(type(queue), Library.last_in_first_out):
        doubtful[pool] = state
    state.take_step()
    for item in held_by(queue):
        if item is not None:
            state.put(queue, item)
    if pool.on_bound is not None:
        pool.on_bound()
    return state


def _pool_of(place: Place | None) -> QueuePool:
    """Return the pool of a queue: the open one of its library, or one of its own."""
    if place is not None and not place.line:
        for state in list(served.values()):
            pool = state.pool
            if type(pool) is QueuePool and pool.place == place and not pool.off:
                return pool

    def make(name: str, number: int) -> QueuePool:
        return QueuePool(name, KIND, number, MOST_WORKERS_EXPECTED)

    pool = share_pool("queue" if place is None else str(place), QueuePool, KIND, make)
    pool.place = place
    return pool
