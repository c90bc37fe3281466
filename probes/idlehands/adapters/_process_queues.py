"""The queues between a pool's owner and its worker processes, told apart from their own.

A pool's queue becomes one of these by changing its class where the pool stores it; nothing else
of it changes. Queues travel to worker processes by pickling or by fork, and with them how the
worker finds the pool's board: so a worker needs no call in the job to be probed, whatever way it
was started. Taking an item from the queue of tasks begins a task there, putting one into the
queue of results ends it.

A queue is changed only if it is known, and with it all others of its pool: of the very class that
the library makes, and with no method of its own. Others pickle in ways of their own.
"""

from __future__ import annotations

from multiprocessing import util
from typing import Any, Protocol

from .._names import attributes_of
from .._notes import log_pending
from .._process import LAST_OF_ALL, share_pool
from .._rings import Token
from .._slot_worker import leave, worker_of
from .._slots_link import Link
from .._slots_pool import SlotsPool
from .._tables import FAILED, FINISHED
from ._arrivals import queue_arrived
from ._guard import failed

SPARE_SLOTS = 64
"""A pool may be made larger; a slot that nobody uses takes no memory."""


def is_queue_of(queue: Any, cls: type) -> bool:
    """Say whether a queue is of that very class, and has no method of its own in its place."""
    if type(queue) is not cls:
        return False
    own = attributes_of(queue)
    return not any(name in own for name in ("get", "put", "__getstate__", "__setstate__"))


def slots_pool(name: str, kind: str, workers: int) -> SlotsPool:
    """Return the pool `name`, with a board that has room for twice its workers and more."""
    slots = 2 * workers + SPARE_SLOTS

    def make(name: str, number: int) -> SlotsPool:
        return SlotsPool(name, kind, number, workers, Link.create(slots))

    pool = share_pool(name, SlotsPool, kind, make)
    pool.make_room(slots)
    return pool


class Between:
    """What both sorts of queue have: the link to the board, kept when they travel."""

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
        # A worker process has no thread of the probe's to say it.
        util.Finalize(None, log_pending, exitpriority=LAST_OF_ALL)

    def arrive(self) -> None:
        """Say that this worker process is there, before it waits for its first task."""
        try:
            if self.idlehands is not None:
                worker_of(self.idlehands)
        except Exception as error:
            self.leave_alone(error)

    def begin(self, token: Token | None) -> None:
        """Begin a task of this worker; without a token it was put before the probe came."""
        try:
            if self.idlehands is not None and token is not None:
                worker = worker_of(self.idlehands)
                if worker is not None:
                    worker.running(token)
        except Exception as error:
            self.leave_alone(error)

    def end(self, outcome: int) -> None:
        """End the present task."""
        try:
            worker = None if self.idlehands is None else worker_of(self.idlehands)
            if worker is not None:
                worker.finished(outcome)
        except Exception as error:
            self.leave_alone(error)

    def amend(self) -> None:
        """Note that the result of the last task could not be sent, which makes it a failed one."""
        try:
            worker = None if self.idlehands is None else worker_of(self.idlehands)
            if worker is not None:
                worker.amend(FAILED)
        except Exception as error:
            self.leave_alone(error)

    def leave(self) -> None:
        """Say that this worker process goes."""
        try:
            if self.idlehands is not None:
                leave(self.idlehands)
        except Exception as error:
            self.leave_alone(error)


class ExecutorReporter(Protocol):
    """The owner's side of a queue of calls."""

    def sent(self, call: Any) -> None:
        """A call goes to the worker processes."""


class Calls(Between):
    """An executor's queue of calls: the owner puts them, worker processes take them."""

    reporter: ExecutorReporter | None = None
    known_item: type
    """The class of a call; what else goes through the queue is left alone."""

    def put(self, obj: Any, block: bool = True, timeout: float | None = None) -> None:
        """Send a call with its token."""
        if self.reporter is not None and type(obj) is self.known_item:
            self.reporter.sent(obj)
        super().put(obj, block, timeout)  # type: ignore[misc]

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        """Take a call, or None, which tells the worker to go."""
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
        self.end(FINISHED if obj.exception is None else FAILED)  # type: ignore[attr-defined]
        try:
            super().put(obj)  # type: ignore[misc]
        except BaseException:
            self.amend()
            raise
