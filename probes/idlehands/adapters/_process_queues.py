"""Instrumented queues between a pool's owner and its worker processes.

A pool's queue becomes one of these by a change of its class where the pool stores it; nothing else
of it changes. Queues travel to worker processes by pickling or by fork, and the link to the pool's
shared slots travels with them. So a worker process is probed without a call in the job, however it
was started. In a worker process, taking an item from the queue of tasks begins a task, and putting
one into the queue of results ends it.

A queue is changed only if it and all other queues of its pool are known: of exactly the class that
the library makes, and with no method of its own. Other queues pickle in ways of their own.
"""

from __future__ import annotations

from multiprocessing import util
from typing import Any, Protocol

from .._job_objects import attributes_of
from .._notes import log_pending
from .._process import LAST_OF_ALL, queue_arrived, share_pool
from .._raised import error_in
from .._rings import Token
from .._slot_worker import leave, worker_of
from .._slots_link import Link
from .._slots_pool import SlotsPool
from .._tables import FAILED, FINISHED
from ._guard import failed

SPARE_SLOTS = 64
"""A pool may be made larger; a slot that no process uses takes no memory."""


def is_queue_of(queue: Any, cls: type) -> bool:
    """Return whether a queue is of exactly that class and has no method of its own."""
    if type(queue) is not cls:
        return False
    own = attributes_of(queue)
    return not any(name in own for name in ("get", "put", "__getstate__", "__setstate__"))


def slots_pool(name: str, kind: str, workers: int) -> SlotsPool:
    """Return the pool `name`, with shared slots for twice its workers and more."""
    slots = 2 * workers + SPARE_SLOTS

    def make(name: str, number: int) -> SlotsPool:
        return SlotsPool(name, kind, number, workers, Link.create(slots))

    pool = share_pool(name, SlotsPool, kind, make)
    pool.make_room(slots)
    return pool


class Between:
    """The common part of both sorts of queue: the link to the shared slots, which travels with
    them."""

    idlehands: Link | None = None

    def __getstate__(self) -> Any:
        return super().__getstate__(), self.idlehands

    def __setstate__(self, state: Any) -> None:
        inner, self.idlehands = state
        super().__setstate__(inner)  # type: ignore[misc]
        try:
            queue_arrived()
        except Exception as error:
            failed(None, error)

    def leave_alone(self, error: Exception) -> None:
        """Record nothing more in this process: a hook has failed."""
        self.idlehands = None
        failed(None, error)
        # A worker process has no thread of the probe's to log it.
        util.Finalize(None, log_pending, exitpriority=LAST_OF_ALL)

    def arrive(self) -> None:
        """Take a slot for this worker process, before it waits for its first task."""
        try:
            if self.idlehands is not None:
                worker_of(self.idlehands)
        except Exception as error:
            self.leave_alone(error)

    def begin(self, token: Token | None) -> None:
        """Begin a task of this worker; one without a token was put before the probe was there."""
        try:
            if self.idlehands is not None and token is not None:
                worker = worker_of(self.idlehands)
                if worker is not None:
                    worker.running(token)
        except Exception as error:
            self.leave_alone(error)

    def end(self, outcome: int, raised: object = None) -> None:
        """End the present task; `raised`: the exception, None for none."""
        try:
            worker = None if self.idlehands is None else worker_of(self.idlehands)
            if worker is not None:
                worker.finished(outcome, None if raised is None else error_in(raised))
        except Exception as error:
            self.leave_alone(error)

    def amend(self, error: BaseException) -> None:
        """Record the last task as failed: its result could not be sent."""
        try:
            worker = None if self.idlehands is None else worker_of(self.idlehands)
            if worker is not None:
                worker.amend(FAILED, type(error))
        except Exception as failure:
            self.leave_alone(failure)

    def leave(self) -> None:
        """Give this worker process's slot back."""
        try:
            if self.idlehands is not None:
                leave(self.idlehands)
        except Exception as error:
            self.leave_alone(error)


class ExecutorReporter(Protocol):
    """The part of an executor's reporter that its queue of calls uses; the reporter is in
    `_executors`."""

    def sent(self, call: Any) -> None:
        """Note that a call goes to the worker processes."""


class Calls(Between):
    """An executor's queue of calls: the owner puts calls, worker processes take them."""

    reporter: ExecutorReporter | None = None
    known_item: type
    """The class of a call; other items in the queue are left alone."""

    def put(self, obj: Any, block: bool = True, timeout: float | None = None) -> None:
        """Send a call with its token."""
        if self.reporter is not None and type(obj) is self.known_item:
            self.reporter.sent(obj)
        super().put(obj, block, timeout)  # type: ignore[misc]

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        """Take a call, or None, which ends the worker."""
        self.arrive()
        item = super().get(block, timeout)  # type: ignore[misc]
        if type(item) is self.known_item:
            self.begin(attributes_of(item).get("idlehands"))
        return item


class Results(Between):
    """An executor's queue of results."""

    known_item: type
    """The class of a result."""

    def put(self, obj: Any) -> None:
        """Send a result with what its task raised, or the process id of a worker that leaves."""
        if type(obj) is not self.known_item:
            if issubclass(type(obj), int):
                self.leave()
            super().put(obj)  # type: ignore[misc]
            return
        raised: object = obj.exception  # type: ignore[attr-defined]
        self.end(FINISHED if raised is None else FAILED, raised)
        try:
            super().put(obj)  # type: ignore[misc]
        except BaseException as error:
            self.amend(error)
            raise
