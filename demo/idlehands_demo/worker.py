"""One worker: a thread with its own deque that runs, steals, joins and parks.

A worker runs its own tasks newest first. Without any it takes from the inbox, or attempts to steal
from randomly drawn victims. After a bounded number of failed attempts it announces itself as a
sleeper, tries every other deque and the inbox once more, and parks only if all of them were empty.
A join does the same, and the end of the awaited task wakes it too. Helping with any task inside a
join cannot deadlock as long as tasks await only their descendants: in a circle of waits every task
would have begun before itself.
"""

from __future__ import annotations

import random
import threading
from typing import Any, Optional, Protocol

import idlehands

from .counts import WorkerCounts
from .deques import EMPTY, Inbox, Miss, TaskDeque
from .parking import ParkingTicket, Sleepers
from .switches import Switches
from .task import JoiningWorker, Task
from .victims import VictimChoice

Found = Optional[tuple[Task[Any], int]]
"""A task and where it was taken from: own deque, inbox, twin pool or a victim's index."""

DRAWS_PER_VICTIM = 1
"""Random draws in one search round, per other worker, before the sweep."""

DEEPEST_HELP = 64
"""Tasks under one another on a stack before a join runs only the task it awaits."""

_here = threading.local()


def contended(owner: int, length: int, waited_ns: int) -> None:
    """Report to the probe that the calling worker had to wait at a deque of its own pool."""
    worker = current_worker()
    if worker is not None:
        worker.probe.contended(owner, length, waited_ns)


def current_worker() -> Worker | None:
    """Return the worker whose thread this is, of whichever pool, or None."""
    return getattr(_here, "worker", None)


class StealingPool(Protocol):
    """The part of a pool that its workers use; the pool is in `pool`."""

    workers: int
    name: str
    probe: idlehands.PoolProbe
    switches: Switches
    inbox: Inbox
    deques: list[TaskDeque]
    sleepers: Sleepers
    cancelling: bool

    @property
    def twin(self) -> StealingPool | None:
        """The pool that this one has been paired with."""

    @property
    def drained(self) -> bool:
        """Whether the pool is closing and no task is queued or running any more."""

    def current_worker(self) -> JoiningWorker | None:
        """Return the worker whose thread calls, of whichever pool, or None."""

    def task_settled(self, by: int) -> None:
        """Note that worker `by` has settled a task."""

    def pass_wake_on(self, by: int) -> None:
        """Wake a parked worker in the name of worker `by` if any task is queued."""

    def worker_left(self) -> None:
        """Note that a worker has ended."""


class Worker:
    """Worker `index` of `pool`, owner of `deque`. Its methods run in its own thread."""

    def __init__(self, pool: StealingPool, index: int, deque: TaskDeque, seed: int | None) -> None:
        workers = pool.workers
        self.pool = pool
        self.index = index
        self.deque = deque
        self.counts = WorkerCounts(workers)
        self.probe = pool.probe.worker(index)
        self._depth = 0
        generator = random.Random() if seed is None else random.Random(f"{seed}/{index}")
        self._generator = generator
        self.victims = VictimChoice(index, workers, generator, pool.switches)
        self._one_attempt = pool.switches.parks_after_one_failed_attempt
        self._draws = 1 if self._one_attempt else DRAWS_PER_VICTIM * (workers - 1)
        self.thread = threading.Thread(target=self._main, name=f"{pool.name}-{index}", daemon=True)

    def _main(self) -> None:
        self.probe.bind()
        _here.worker = self
        try:
            while True:
                found = self._own() or self._search(None)
                if found is not None:
                    self._run(*found)
                elif self._over(None):
                    return
        finally:
            self.pool.worker_left()

    def help_until(self, awaited: Task[Any]) -> None:
        """Run other tasks until `awaited` has settled; park when there are none.

        A join that need not wait is reported to the probe too: the rest of the task depends on
        `awaited`, and without the report the computed span would be too short.
        """
        self.probe.waiting(awaited.token)
        try:
            while not awaited.settled:
                if self._depth >= DEEPEST_HELP:
                    self._help_directly(awaited)
                    continue
                found = self._own() or self._search(awaited)
                if found is not None:
                    self._run(*found)
        finally:
            self.probe.resumed()

    def _help_directly(self, awaited: Task[Any]) -> None:
        """Run `awaited` itself if no worker has taken it, else park until it has settled.

        Helping with anything would bury this join ever deeper; under policies that take
        the wrong end of a deque that would exhaust the stack.
        """
        if self.deque.remove(awaited):
            self._run(awaited, idlehands.OWN_DEQUE)
            return
        ticket = ParkingTicket()
        awaited.add_waiter(ticket)
        if not awaited.settled:
            self._park(ticket, awaited)

    def spawn(self, task: Task[Any]) -> None:
        """Push a task made by the running one, and wake a parked worker for it."""
        task.token = self.probe.spawned(task.kind, task.size)
        # Counted before it can be taken: the pool must not appear drained in between.
        self.counts.spawned += 1
        if self.pool.cancelling:
            self._cancel(task, task.token)
            return
        self.deque.push(task)
        self.pool.sleepers.wake_one(self.index)

    def _run(self, task: Task[Any], taken_from: int) -> None:
        token = task.token
        if taken_from == idlehands.OTHER_POOL and self.pool.twin is not None:
            # Its joiners, in the twin, have only the old token.
            token = self.probe.adopted(token, self.pool.twin.probe)
        if self.pool.cancelling:
            self._cancel(task, token)
            return
        counts = self.counts
        self.probe.running(token, taken_from)
        self._depth += 1
        task.call()
        self._depth -= 1
        # Counts and probe come before the joiners are woken, so that a thread that has joined
        # every task reads complete numbers.
        counts.finished += 1
        if task.error is not None:
            counts.failed += 1
            self.probe.raised(task.error)
        else:
            self.probe.finished()
        task.settle(self.index if taken_from != idlehands.OTHER_POOL else -1)
        self.pool.task_settled(self.index)

    def _cancel(self, task: Task[Any], token: Any) -> None:
        self.pool.probe.cancelled(token)
        self.counts.cancelled += 1
        task.cancel(self.index)
        self.pool.task_settled(self.index)

    def _own(self) -> Found:
        task = self.deque.pop()
        return None if task is None else (task, idlehands.OWN_DEQUE)

    def _over(self, awaited: Task[Any] | None) -> bool:
        return self.pool.drained if awaited is None else awaited.settled

    def _search(self, awaited: Task[Any] | None) -> Found:
        """Search elsewhere until a task is found, the wait is over or a sleep has ended."""
        self.probe.searching()
        while not self._over(awaited):
            found = self._draw(awaited)
            if found is not None:
                return found
            ticket = self._announce(awaited)
            found = self._sweep()
            if found is None and not self._over(awaited) and not ticket.claimed:
                self._park(ticket, awaited)
                return None
            # Claimed during the sweep: the waker is about to release the ticket. With nothing
            # found a task has come to a deque that was swept already, so search again.
            if not ticket.withdraw():
                ticket.wait()
            self._tidy(ticket, awaited, leaving=found is not None or self._over(awaited))
            if found is not None:
                return found
        return None

    def _draw(self, awaited: Task[Any] | None) -> Found:
        # A join prefers the pool's own subtasks: a task of the inbox starts something new,
        # under which the join would be buried. The sweep tries the inbox in any case.
        found = self._inbox() if awaited is None else None
        if found is not None:
            return found
        for victim in self.victims.draws(self._draws):
            found = self._attempt(victim)
            if found is not None or (awaited is not None and awaited.settled):
                return found
        return None

    def _sweep(self) -> Found:
        if not self._one_attempt:
            for victim in self.victims.sweep():
                found = self._attempt(victim)
                if found is not None:
                    return found
        return self._inbox() or self._across()

    def _across(self) -> Found:
        """Take a task of the twin pool; only with the switch `steals_across_pools`."""
        twin = self.pool.twin
        if twin is None or not self.pool.switches.steals_across_pools:
            return None
        for victim in self._generator.sample(range(twin.workers), twin.workers):
            taken = twin.deques[victim].steal()
            if not isinstance(taken, Miss):
                self.counts.adopted += 1
                twin.task_settled(-1)  # to the twin it is gone, perhaps as its last one
                return taken, idlehands.OTHER_POOL
        return None

    def _attempt(self, victim: int) -> Found:
        """Make one steal attempt at one victim; count it, and report it to the probe."""
        counts = self.counts
        counts.attempts[victim] += 1
        taken = self.pool.deques[victim].steal()
        if taken is EMPTY:
            counts.empties[victim] += 1
            self.probe.missed(victim)
            return None
        if isinstance(taken, Miss):
            counts.lost_races[victim] += 1
            self.probe.lost_race(victim, taken.seen)
            return None
        counts.steals[victim] += 1
        self.probe.stolen(victim)
        return taken, victim

    def _inbox(self) -> Found:
        task = self.pool.inbox.take()
        return None if task is None else (task, idlehands.INBOX)

    def _announce(self, awaited: Task[Any] | None) -> ParkingTicket:
        ticket = ParkingTicket()
        self.pool.sleepers.announce(ticket)
        if awaited is not None:
            awaited.add_waiter(ticket)
        return ticket

    def _park(self, ticket: ParkingTicket, awaited: Task[Any] | None) -> None:
        self.probe.parked()
        self.counts.parks += 1
        ticket.wait()
        self.probe.unparked(ticket.woken_by, ticket.woken_ns)
        self._tidy(ticket, awaited, leaving=self._over(awaited))

    def _tidy(self, ticket: ParkingTicket, awaited: Task[Any] | None, leaving: bool) -> None:
        """Take a used ticket back; pass on a wake-up that this worker will not follow."""
        if not ticket.for_spawn:
            self.pool.sleepers.forget(ticket)
        if awaited is not None:
            awaited.forget_waiter(ticket)
        if leaving and ticket.for_spawn:
            # The spawner woke no other worker, so its task could stay queued beside parked ones.
            self.pool.pass_wake_on(self.index)
