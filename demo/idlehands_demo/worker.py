"""One worker: a thread with its own deque that runs, steals, joins and parks.

A worker runs its own tasks newest first. Without any it looks into the inbox and at
randomly drawn victims; after a bounded number of fruitless draws it announces itself as a
sleeper, sweeps over every other deque and the inbox once more, and parks only when all of
them were empty. A join does the same with the awaited task's end as a second way to be
woken. Helping with any task inside a join cannot deadlock as long as tasks await only
their descendants: in a circle of waits every task would have begun before itself.
"""

from __future__ import annotations

import random
import threading
from typing import TYPE_CHECKING, Any, Optional

import idlehands

from .counts import WorkerCounts
from .deques import EMPTY, Miss, TaskDeque
from .parking import ParkingTicket
from .task import Task
from .victims import VictimChoice

if TYPE_CHECKING:
    from .pool import WorkStealingPool

Found = Optional[tuple[Task[Any], int]]
"""A task and where it was taken from: own deque, inbox, twin pool or a victim's index."""

DRAWS_PER_VICTIM = 1
"""Random draws in one search round, per other worker, before the sweep."""

DEEPEST_HELP = 64
"""Tasks under one another on a stack before a join runs only the task it awaits."""

_here = threading.local()


def met(owner: int, length: int, waited_ns: int) -> None:
    """Tell the probe that the calling worker had to wait at a deque of its own pool."""
    worker = current_worker()
    if worker is not None:
        worker.probe.met(owner, length, waited_ns)


def current_worker() -> Worker | None:
    """Return the worker whose thread this is, of whichever pool, or None."""
    return getattr(_here, "worker", None)


class Worker:
    """Worker `index` of `pool`, owner of `deque`. Its methods run in its own thread."""

    def __init__(
        self, pool: WorkStealingPool, index: int, deque: TaskDeque, seed: int | None
    ) -> None:
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
        self._one_look = pool.switches.parks_after_one_failed_attempt
        self._draws = 1 if self._one_look else DRAWS_PER_VICTIM * (workers - 1)
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

        The probe is told of a join that need not wait too: without it nobody could know that what
        comes next stands on `awaited`, and the longest chain of work would come out too short.
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
        """Run `awaited` itself if nobody has taken it, else park until it has settled.

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
        # Counted before it can be taken: the pool must not look drained in between.
        self.counts.spawned += 1
        if self.pool.cancelling:
            self._cancel(task, task.token)
            return
        self.deque.push(task)
        self.pool.sleepers.wake_one(self.index)

    def _run(self, task: Task[Any], taken_from: int) -> None:
        token = task.token
        if taken_from == idlehands.OTHER_POOL and self.pool.twin is not None:
            # Its joiners, in the twin, know it by the old token.
            token = self.probe.adopted(token, self.pool.twin.probe)
        if self.pool.cancelling:
            self._cancel(task, token)
            return
        counts = self.counts
        self.probe.running(token, taken_from)
        self._depth += 1
        task.call()
        self._depth -= 1
        # Counts and probe come before the joiners are told, so that whoever has joined
        # every task reads complete numbers.
        counts.finished += 1
        if task.failed:
            counts.failed += 1
            self.probe.finished(idlehands.FAILED)
        else:
            self.probe.finished(idlehands.FINISHED)
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
        """Look elsewhere until a task is found, the wait is over or a sleep has ended."""
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
            # Claimed during the sweep: the waker is about to say what for, and with
            # nothing found a task has come behind our back, so look again.
            if not ticket.withdraw():
                ticket.wait()
            self._tidy(ticket, awaited, leaving=found is not None or self._over(awaited))
            if found is not None:
                return found
        return None

    def _draw(self, awaited: Task[Any] | None) -> Found:
        # A join prefers the pool's own subtasks: what the inbox holds starts something
        # new, under which the join would be buried. The sweep looks there in any case.
        found = self._inbox() if awaited is None else None
        if found is not None:
            return found
        for victim in self.victims.draws(self._draws):
            found = self._look(victim)
            if found is not None or (awaited is not None and awaited.settled):
                return found
        return None

    def _sweep(self) -> Found:
        if not self._one_look:
            for victim in self.victims.sweep():
                found = self._look(victim)
                if found is not None:
                    return found
        return self._inbox() or self._across()

    def _across(self) -> Found:
        """Take a task of the twin pool, which only a pool with that switch does."""
        twin = self.pool.twin
        if twin is None or not self.pool.switches.steals_across_pools:
            return None
        for victim in self._generator.sample(range(twin.workers), twin.workers):
            look = twin.deques[victim].steal()
            if not isinstance(look, Miss):
                self.counts.adopted += 1
                twin.task_settled(-1)  # to the twin it is gone, perhaps as its last one
                return look, idlehands.OTHER_POOL
        return None

    def _look(self, victim: int) -> Found:
        """Make one attempt at one victim; counted, and told to the probe."""
        counts = self.counts
        counts.attempts[victim] += 1
        look = self.pool.deques[victim].steal()
        if look is EMPTY:
            counts.empties[victim] += 1
            self.probe.missed(victim)
            return None
        if isinstance(look, Miss):
            counts.lost_races[victim] += 1
            self.probe.lost_race(victim, look.seen)
            return None
        counts.steals[victim] += 1
        self.probe.stolen(victim)
        return look, victim

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
        """Take a spent ticket back; pass a wake-up on that this worker will not follow."""
        if not ticket.for_spawn:
            self.pool.sleepers.forget(ticket)
        if awaited is not None:
            awaited.forget_waiter(ticket)
        if leaving and ticket.for_spawn:
            # The spawner woke nobody else, so its task may lie beside parked workers.
            self.pool.pass_wake_on(self.index)
