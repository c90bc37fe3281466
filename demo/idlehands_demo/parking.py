"""Parking: how a worker without work, or a thread awaiting a task, sleeps and is woken.

A ticket stands for one sleep of one thread. The first to claim it, a spawner or the end of
the awaited task, wakes the thread. Every later claim fails, and its claimer wakes another
thread. A sleeper publishes its ticket first, tries every deque again and only
then waits; a spawner publishes its task first and then searches for tickets. One of the two
always sees the other, so no wake-up is lost.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from contextlib import suppress


class ParkingTicket:
    """One sleep of one thread, ended by the first `wake`.

    `woken_by` is the index of the waking worker or -1 for a thread outside the pool,
    `woken_ns` the `time.monotonic_ns()` at which it sent the wake-up, `for_spawn` whether
    it did so because of a new task (rather than the end of an awaited one).
    """

    __slots__ = ("_claims", "_gate", "for_spawn", "woken_by", "woken_ns")

    def __init__(self) -> None:
        self._gate = threading.Lock()
        self._gate.acquire()
        self._claims = [None]
        self.woken_by = -1
        self.woken_ns = -1
        self.for_spawn = False

    @property
    def claimed(self) -> bool:
        """Whether this sleep has been claimed, by another thread or by the sleeper itself."""
        return not self._claims

    def withdraw(self) -> bool:
        """Claim the own sleep before it begins; False when a waker was faster."""
        try:
            # One atomic pop decides between all claimers; no lock is needed.
            self._claims.pop()
        except IndexError:
            return False
        return True

    def wake(self, by: int, for_spawn: bool) -> bool:
        """Wake the sleeper in the name of worker `by`; False when it is awake already."""
        if not self.withdraw():
            return False
        self.woken_by = by
        self.for_spawn = for_spawn
        self.woken_ns = time.monotonic_ns()
        self._gate.release()
        return True

    def wait(self, timeout: float | None = None) -> bool:
        """Sleep until woken; False when `timeout` seconds passed first."""
        return self._gate.acquire(timeout=-1 if timeout is None else max(0.0, timeout))


class Sleepers:
    """The tickets of the workers of one pool that are parked or about to park."""

    __slots__ = ("_tickets",)

    def __init__(self) -> None:
        self._tickets: deque[ParkingTicket] = deque()

    def __len__(self) -> int:
        return sum(not ticket.claimed for ticket in list(self._tickets))

    def announce(self, ticket: ParkingTicket) -> None:
        """Publish a ticket; from now on a spawner may claim it."""
        self._tickets.append(ticket)

    def forget(self, ticket: ParkingTicket) -> None:
        """Take back a ticket that has not been claimed by a spawner."""
        with suppress(ValueError, IndexError):
            self._tickets.remove(ticket)

    def wake_one(self, by: int) -> bool:
        """Wake the worker that has slept longest, in the name of worker `by`."""
        while self._tickets:
            try:
                ticket = self._tickets.popleft()
            except IndexError:
                return False
            if ticket.wake(by, for_spawn=True):
                return True
        return False

    def wake_all(self, by: int) -> None:
        """Wake every parked worker, for the end of the pool."""
        while self.wake_one(by):
            pass
