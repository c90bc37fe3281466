"""The queues between a pool's owner and its worker processes, told apart from their own.

A pool's queue becomes one of these by changing its class where the pool stores it; nothing else
of it changes. Queues travel to worker processes by pickling or by fork, and with them how the
worker finds the pool's board: so a worker needs no call in the job to be probed, whatever way it
was started. Taking an item from the queue of tasks begins a task there, putting one into the
queue of results ends it.
"""

from __future__ import annotations

from typing import Any, Callable, Protocol

from .._board import Link
from .._board_pool import BoardPool
from .._board_worker import leave, worker_of
from .._process import share_pool
from .._rings import Token
from .._tables import FAILED, FINISHED

SPARE_SLOTS = 64
"""A pool may be made larger; a slot that nobody uses takes no memory."""


def board_pool(name: str, kind: str, workers: int) -> BoardPool:
    """Return the pool `name`, with a board that has room for twice its workers and more."""
    slots = 2 * workers + SPARE_SLOTS

    def make(name: str, number: int) -> BoardPool:
        return BoardPool(name, kind, number, workers, Link.create(slots))

    pool = share_pool(name, BoardPool, kind, make)
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
        from . import install  # a worker process can have pools of its own

        install()


def begin(link: Link | None, token: Token | None) -> None:
    """Begin a task of this worker process; without a token it was put before the probe came."""
    if link is not None and token is not None:
        worker = worker_of(link)
        if worker is not None:
            worker.running(token)


def arrive(link: Link | None) -> None:
    """Say that this worker process is there, before it waits for its first task."""
    if link is not None:
        worker_of(link)


def end(link: Link | None, failed: bool, send: Callable[[], None]) -> None:
    """End the present task and send its result; a result that cannot be sent is a failure."""
    worker = worker_of(link) if link is not None else None
    if worker is None:
        send()
        return
    worker.finished(FAILED if failed else FINISHED)
    try:
        send()
    except BaseException:
        worker.amend(FAILED)
        raise


class Teller(Protocol):
    """The owner's side of a queue of calls."""

    def sent(self, call: Any) -> None:
        """A call goes to the worker processes."""


class Calls(Between):
    """An executor's queue of calls: the owner puts them, worker processes take them."""

    teller: Teller | None = None

    def put(self, obj: Any, block: bool = True, timeout: float | None = None) -> None:
        """Send a call with its token."""
        if self.teller is not None:
            self.teller.sent(obj)
        super().put(obj, block, timeout)  # type: ignore[misc]

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        """Take a call, or None, which tells the worker to go."""
        arrive(self.idlehands)
        item = super().get(block, timeout)  # type: ignore[misc]
        begin(self.idlehands, getattr(item, "idlehands", None))
        return item


class Results(Between):
    """An executor's queue of results."""

    def put(self, obj: Any) -> None:
        """Send a result with what its task raised, or the process id of a worker that leaves."""
        if hasattr(obj, "work_id"):
            failed = obj.exception is not None
            end(self.idlehands, failed, lambda: super(Results, self).put(obj))  # type: ignore[misc]
            return
        if isinstance(obj, int) and self.idlehands is not None:
            leave(self.idlehands)
        super().put(obj)  # type: ignore[misc]
