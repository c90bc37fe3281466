"""A task: a function with arguments that a worker of the pool will run once.

Joining a task from inside the pool runs other tasks in the meantime; joining it from
outside blocks. An exception of the task reaches everybody who joins it.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any, Callable, Generic, Protocol, TypeVar, cast

import idlehands

from .parking import ParkingTicket
from .switches import Switches

T = TypeVar("T")


class JoiningWorker(Protocol):
    """The part of a worker that a joined task uses; the worker is in `worker`."""

    probe: idlehands.WorkerProbe

    @property
    def pool(self) -> HomePool:
        """The pool that it is a worker of."""

    def help_until(self, awaited: Task[Any]) -> None:
        """Run other tasks until `awaited` has settled."""


class HomePool(Protocol):
    """The part of a pool that its tasks use; the pool is in `pool`."""

    switches: Switches

    def current_worker(self) -> JoiningWorker | None:
        """Return the worker whose thread calls, of whichever pool, or None."""


class TaskCancelled(Exception):
    """The task was still queued when its pool was shut down, and will never run."""


class Task(Generic[T]):
    """One task of a pool. `kind` is its name in a profile, `size` its count of items or -1."""

    __slots__ = (
        "_arguments",
        "_error",
        "_function",
        "_pool",
        "_result",
        "_settled",
        "_waiters",
        "kind",
        "size",
        "token",
    )

    def __init__(
        self,
        pool: HomePool,
        function: Callable[..., T],
        arguments: tuple[Any, ...],
        kind: str | None = None,
        size: int = -1,
    ) -> None:
        self._pool = pool
        self._function: Callable[..., T] | None = function
        self._arguments = arguments
        self._result: T | None = None
        self._error: BaseException | None = None
        self._settled = False
        self._waiters: list[ParkingTicket] = []
        self.kind: str = kind or str(getattr(function, "__name__", "task"))
        self.size = size
        self.token: Any = None

    @property
    def settled(self) -> bool:
        """Whether the task has finished, failed or been cancelled."""
        return self._settled

    def join(self, timeout: float | None = None) -> T:
        """Wait for the task and return its result, or raise what it raised.

        A worker of the same pool runs other tasks in the meantime and takes no `timeout`
        (`ValueError`), since it cannot leave a task it helps with. Any other thread, and
        a worker with the switch `joins_block`, blocks, at most `timeout` seconds
        (`TimeoutError`). Raises `TaskCancelled` when the pool was shut down before the
        task began.
        """
        worker = self._pool.current_worker()
        at_home = worker is not None and worker.pool is self._pool
        if worker is not None and at_home and not self._pool.switches.joins_block:
            if timeout is not None:
                raise ValueError("a join inside the pool helps with other tasks: no timeout")
            worker.help_until(self)
        elif at_home or not self._settled:
            self._block(timeout, worker)
        return self._outcome()

    def _block(self, timeout: float | None, worker: JoiningWorker | None) -> None:
        if worker is not None:  # of another pool, or one that does not help while it joins
            worker.probe.waiting(self.token if worker.pool is self._pool else None)
        ticket = ParkingTicket()
        self.add_waiter(ticket)
        try:
            if not self._settled and not ticket.wait(timeout):
                self.forget_waiter(ticket)
                raise TimeoutError(f"task {self.kind!r} not finished after {timeout} s")
        finally:
            if worker is not None:
                worker.probe.resumed()

    def _outcome(self) -> T:
        if self._error is not None:
            raise self._error
        return cast(T, self._result)

    def add_waiter(self, ticket: ParkingTicket) -> None:
        """Have `ticket` woken when the task settles. Check `settled` afterwards."""
        self._waiters.append(ticket)

    def forget_waiter(self, ticket: ParkingTicket) -> None:
        """Take back a ticket, if it is still there."""
        with suppress(ValueError):
            self._waiters.remove(ticket)

    def call(self) -> None:
        """Run the function and store its result or exception; call `settle` after it."""
        function, arguments = self._function, self._arguments
        # Released at once, so that a joined task does not keep its input alive.
        self._function, self._arguments = None, ()
        if function is None:
            raise RuntimeError(f"task {self.kind!r} runs a second time")
        try:
            self._result = function(*arguments)
        except BaseException as error:
            self._error = error

    @property
    def error(self) -> BaseException | None:
        """What the task raised, None where it has not raised."""
        return self._error

    @property
    def failed(self) -> bool:
        """Whether the function raised."""
        return self._error is not None

    def cancel(self, by: int) -> None:
        """Settle a task that will never run."""
        self._function, self._arguments = None, ()
        self._error = TaskCancelled(f"task {self.kind!r} was cancelled before it began")
        self.settle(by)

    def settle(self, by: int) -> None:
        """Mark the task done and wake its joiners in the name of worker `by` (or -1)."""
        # The mark is set before the waiters are read, and a joiner adds itself to the
        # waiters before it reads the mark: one of the two sees the other.
        self._settled = True
        while self._waiters:
            try:
                ticket = self._waiters.pop()
            except IndexError:
                return
            ticket.wake(by, for_spawn=False)
