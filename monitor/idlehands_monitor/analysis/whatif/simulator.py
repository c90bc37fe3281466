"""Discrete events: a program run by simulated workers on simulated cores.

Pure. What happens at one time happens in a fixed order, so a seed gives the same run again; only
the choice of victims is random. A worker parks when nothing is queued; each task that is queued
wakes one parked worker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from heapq import heappop, heappush
from random import Random
from typing import TYPE_CHECKING

from .cores import NEVER, Cores
from .program import Do
from .queues import Deques, OneQueue
from .rules import NO_OVERHEADS, ONE_QUEUE, Taking

if TYPE_CHECKING:
    from .program import Program
    from .rules import Machine, Overheads, Rules

COMES, GOES_ON, TAKES = 0, 1, 2
"""What happens at a time, in this order: tasks come from outside, workers go on, and only then do
workers take tasks, so that they choose among all that are ready then."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """When each task came, began and ended, in ns by its number; NaN for one that never did.

    steals, attempts: of all workers. parks: how often a worker parked.
    """

    came_ns: tuple[float, ...]
    began_ns: tuple[float, ...]
    ended_ns: tuple[float, ...]
    steals: int
    attempts: int
    parks: int

    @property
    def end_ns(self) -> float:
        """When the last task ended."""
        return max((end for end in self.ended_ns if end == end), default=0.0)


def simulate(
    program: Program,
    machine: Machine,
    rules: Rules = ONE_QUEUE,
    overheads: Overheads = NO_OVERHEADS,
    seed: int = 0,
) -> Outcome:
    """Run a program once. Raises ValueError where tasks wait for each other for ever."""
    run = _Run(program, machine, rules, overheads, seed)
    run.play()
    if run.left:
        raise ValueError(f"{run.left} tasks wait for each other for ever")
    queues = run.queues
    times = (tuple(run.came), tuple(run.began), tuple(run.ended))
    return Outcome(*times, queues.hits, queues.attempts, run.parks)


class _Run:
    """One simulated run; `left`: tasks that have not ended."""

    def __init__(
        self, program: Program, machine: Machine, rules: Rules, overheads: Overheads, seed: int
    ) -> None:
        tasks = len(program.steps)
        self.queues: OneQueue | Deques = (
            Deques(rules, machine.workers, Random(seed))  # noqa: S311 - no secret
            if rules.taking is Taking.DEQUES
            else OneQueue(rules)
        )
        self.came, self.began, self.ended = ([math.nan] * tasks for _ in range(3))
        self.left, self.parks = tasks, 0
        self._steps, self._rules, self._overheads = program.steps, rules, overheads
        self._cores = Cores(machine.cores, locked_apart=machine.one_lock)
        self._stacks: list[list[list[int]]] = [[] for _ in range(machine.workers)]
        self._parked = dict.fromkeys(range(machine.workers))  # in the order in which they parked
        self._joining: dict[int, list[int]] = {}
        self._events: list[tuple[float, int, int, int]] = []  # when, what, order, task or worker
        self._order = 0
        self._comes = program.comes_ns
        self._missing = {task: len(first) for task, first in program.after.items()}
        self._next: dict[int, list[int]] = {}
        for task, first in program.after.items():
            for one in first:
                self._next.setdefault(one, []).append(task)
        for task, at_ns in sorted(program.comes_ns.items()):
            if not self._missing.get(task):
                self._at(at_ns, COMES, task)

    def play(self) -> None:
        """Let everything happen, one event after the other."""
        events, cores = self._events, self._cores
        while events or cores.next_ns < NEVER:
            finishes = cores.next_ns
            if not events or finishes <= events[0][0]:
                self._go_on(finishes, cores.finish())
                continue
            now, what, _, which = heappop(events)
            if what == COMES:
                self._come(now, which, -1)
            elif what == GOES_ON or self._takes(now, which):
                self._go_on(now, which)

    def _at(self, when: float, what: int, which: int) -> None:
        self._order += 1
        heappush(self._events, (when, what, self._order, which))

    def _come(self, now: float, task: int, worker: int) -> None:
        """Queue a task, and wake a worker for it."""
        self.came[task] = now
        self.queues.put(task, worker)
        if self._parked:
            self._wake(now, next(iter(self._parked)))

    def _wake(self, now: float, worker: int) -> None:
        self._parked.pop(worker, None)
        self._at(now + self._overheads.wake_ns, GOES_ON, worker)

    def _go_on(self, now: float, worker: int) -> None:
        """Take a worker on until it has to wait for time, for a task, or for work."""
        while self._runs_dry(now, worker):
            if self._cores.next_ns <= now or (self._events and self._events[0][0] <= now):
                self._at(now, TAKES, worker)  # once everything else of this time has happened
                return
            if not self._takes(now, worker):
                return

    def _runs_dry(self, now: float, worker: int) -> bool:
        """Do the steps of a worker's tasks; say whether it has come to where it takes another."""
        stack = self._stacks[worker]
        while stack:
            frame = stack[-1]
            task, place = frame
            steps = self._steps[task]
            if place == len(steps):
                stack.pop()
                self._end(now, task)
                continue
            do, number = steps[place]
            if do == Do.JOIN and self.ended[number] != self.ended[number]:
                return self._joins(worker, number)
            frame[1] = place + 1
            if do == Do.SPAWN:
                self._come(now, number, worker)
            elif do == Do.OFF:
                self._at(now + number, GOES_ON, worker)
                return False
            elif do != Do.JOIN and number > 0:
                self._cores.add(now, worker, number, locked=do == Do.LOCKED)
                return False
        return True

    def _joins(self, worker: int, task: int) -> bool:
        """Wait for a task; say whether the worker runs others meanwhile."""
        if self._rules.helping and len(self.queues):
            return True
        waiting = self._joining.setdefault(task, [])
        if worker not in waiting:
            waiting.append(worker)
        if self._rules.helping:
            self._park(worker)
        return False

    def _takes(self, now: float, worker: int) -> bool:
        """Begin the next task or park; say whether the worker goes on at once."""
        task, attempts = self.queues.take(worker)
        if task < 0:
            if self._stacks[worker]:  # in a join, whose task may have ended meanwhile
                return True
            self._park(worker)
            return False
        self.began[task] = now
        self._stacks[worker].append([task, 0])
        overhead = self._overheads.dispatch_ns + attempts * self._overheads.attempt_ns
        if overhead > 0:
            self._cores.add(now, worker, overhead, locked=False)
        return overhead <= 0

    def _park(self, worker: int) -> None:
        self.parks += 1
        self._parked[worker] = None

    def _end(self, now: float, task: int) -> None:
        self.ended[task] = now
        self.left -= 1
        for worker in self._joining.pop(task, ()):
            if not self._rules.helping or worker in self._parked:
                self._wake(now, worker)
        for after in self._next.get(task, ()):
            self._missing[after] -= 1
            if not self._missing[after]:
                self._at(max(now, self._comes.get(after, 0)), COMES, after)
