"""Discrete events: a program run by simulated workers on simulated cores.

Pure. What happens at one time happens in a fixed order, so a seed gives the same run again; only
the choice of victims is random. A worker parks when nothing is queued, or when its team's rules let
it give up; a task that is queued wakes one parked worker of its team.
"""

from __future__ import annotations

import math
from collections import deque
from heapq import heappop, heappush
from typing import TYPE_CHECKING

from .cores import NEVER, Cores
from .crew import Crew
from .outcome import Outcome
from .program import Do
from .rules import Taking

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .program import Program
    from .rules import Machine, Team

COMES, FED, GOES_ON, TAKES, POLLS = range(5)
"""What happens at a time, in this order: tasks come from outside, reach the workers, workers go on,
and only then do workers take tasks, so that they choose among all that are ready then."""


def simulate(program: Program, machine: Machine, teams: Sequence[Team], seed: int = 0) -> Outcome:
    """Run a program once. Raises ValueError where tasks wait for each other for ever."""
    run = _Run(program, machine, teams, seed)
    run.play()
    if run.left:
        raise ValueError(f"{run.left} tasks wait for each other for ever")
    times = (tuple(run.came), tuple(run.began), tuple(run.ended))
    steals = sum(crew.queues.hits for crew in run.crews)
    attempts = sum(crew.queues.attempts for crew in run.crews)
    return Outcome(*times, steals, attempts, run.parks, run.lock_wait, run.core_wait)


class _Run:
    """One simulated run; `left`: tasks that have not ended."""

    def __init__(
        self, program: Program, machine: Machine, teams: Sequence[Team], seed: int
    ) -> None:
        tasks = len(program.steps)
        self.came, self.began, self.ended = ([math.nan] * tasks for _ in range(3))
        self.left, self.parks = tasks, 0
        self.lock_wait = self.core_wait = 0.0
        self._steps = program.steps
        self._cores = Cores(
            machine.cores,
            locked_apart=machine.one_lock,
            others=machine.others,
            lock_others=machine.lock_others,
        )
        self.crews: list[Crew] = []
        self._crew_of: list[Crew] = []  # by worker
        for team in teams:
            self.crews.append(Crew(team, len(self._crew_of), seed + len(self.crews)))
            self._crew_of += [self.crews[-1]] * team.workers
        self._team = program.teams or (0,) * tasks
        self._homes = {
            task: home
            for task, home in program.homes.items()
            if self.crews[self._team[task]].rules.taking is Taking.DEQUES
        }
        self._stacks: list[list[list[int]]] = [[] for _ in self._crew_of]
        self._due = [0.0] * len(self._crew_of)  # when a worker would be finished on a core alone
        self._parked_since = [0.0] * len(self._crew_of)
        self._joining: dict[int, list[int]] = {}
        self._locks: dict[int, deque[tuple[int, float]]] = {}  # who waits, since when
        self._events: list[tuple[float, int, int, int]] = []  # when, what, order, task or worker
        self._order = 0
        self._hand_in(program)

    def _hand_in(self, program: Program) -> None:
        self._comes = program.comes_ns
        self._outside = set(program.from_outside())
        self._missing = {task: len(first) for task, first in program.after.items()}
        self._next: dict[int, list[int]] = {}
        for task, first in program.after.items():
            for one in first:
                self._next.setdefault(one, []).append(task)
        for task, (count, later_ns) in sorted(program.gates.items(), reverse=True):
            self.crews[self._team[task]].gates.append((count, later_ns, task))
        for crew in self.crews:
            crew.gates.sort(reverse=True)
            self._open_gates(0.0, crew)
        for task, at_ns in sorted(program.comes_ns.items()):
            if not self._missing.get(task):
                self._at(at_ns, COMES, task)

    def play(self) -> None:
        """Let everything happen, one event after the other."""
        events, cores = self._events, self._cores
        while self.left and (events or cores.next_ns < NEVER):
            finishes = cores.next_ns
            if not events or finishes <= events[0][0]:
                worker = cores.finish()
                self.core_wait += max(0.0, finishes - self._due[worker])
                self._go_on(finishes, worker)
                continue
            now, what, _, which = heappop(events)
            if what == COMES:
                self._feed(now, which)
            elif what == FED:
                self._queue(now, which, -1)
            elif what == POLLS:
                self._poll(now, which)
            elif what == GOES_ON or self._takes(now, which):
                self._go_on(now, which)

    def _at(self, when: float, what: int, which: int) -> None:
        self._order += 1
        heappush(self._events, (when, what, self._order, which))

    def _feed(self, now: float, task: int) -> None:
        """Let a task from outside go to the workers, behind those that are on their way."""
        crew = self.crews[self._team[task]]
        self.came[task] = now
        if crew.overheads.feed_ns > 0:
            crew.fed_ns = max(now, crew.fed_ns) + crew.overheads.feed_ns
            self._at(crew.fed_ns, FED, task)
        else:
            self._queue(now, task, -1)

    def _spawn(self, now: float, task: int, worker: int) -> None:
        self.came[task] = now
        self._queue(now, task, worker)

    def _queue(self, now: float, task: int, worker: int) -> None:
        """Queue a task, and wake a worker for it."""
        crew = self.crews[self._team[task]]
        own = worker >= 0 and self._crew_of[worker] is crew
        home = worker - crew.first if own else self._homes.get(task, -1)
        crew.queues.put(task, home)
        if crew.parked:
            first = crew.first + home if task in self._homes else next(iter(crew.parked))
            if first not in crew.parked:
                return
            if crew.rules.wakes:
                self._wake(now, first)
            elif crew.overheads.poll_ns > 0:
                self._poll_later(now, first)

    def _wake(self, now: float, worker: int) -> None:
        crew = self._crew_of[worker]
        crew.parked.pop(worker, None)
        self._at(now + crew.overheads.wake_ns, GOES_ON, worker)

    def _poll_later(self, now: float, worker: int) -> None:
        """Let a parked worker look at the queues when it next would, parked since so long."""
        poll_ns, since = self._crew_of[worker].overheads.poll_ns, self._parked_since[worker]
        looks = math.floor((now - since) / poll_ns) + 1
        self._at(since + looks * poll_ns, POLLS, worker)

    def _poll(self, now: float, worker: int) -> None:
        crew = self._crew_of[worker]
        if worker in crew.parked and len(crew.queues):
            self._wake(now, worker)

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
            if task < 0:  # the overhead before a task, whose last part is off the core
                self._hands_over(now, worker)
                return False
            steps = self._steps[task]
            if place == len(steps):
                stack.pop()
                self._end(now, task)
                continue
            do, number = steps[place]
            if do == Do.JOIN and self.ended[number] != self.ended[number]:
                return self._joins(now, worker, number)
            frame[1] = place + 1
            if do == Do.SPAWN:
                self._spawn(now, number, worker)
            elif do == Do.OFF:
                self._at(now + number, GOES_ON, worker)
                return False
            elif do == Do.ACQUIRE:
                if not self._acquires(now, worker, number):
                    return False
            elif do == Do.RELEASE:
                self._release(now, number)
            elif do != Do.JOIN and number > 0:
                self._due[worker] = now + number
                self._cores.add(now, worker, number, locked=do == Do.LOCKED)
                return False
        return True

    def _hands_over(self, now: float, worker: int) -> None:
        """Put the task in the place of its overhead, and go on when it has been handed over."""
        frame = self._stacks[worker][-1]
        frame[0] = -1 - frame[0]
        self.began[frame[0]] = now + self._crew_of[worker].overheads.hand_over_ns
        self._at(self.began[frame[0]], GOES_ON, worker)

    def _acquires(self, now: float, worker: int, lock: int) -> bool:
        waiting = self._locks.get(lock)
        if waiting is None:
            self._locks[lock] = deque()
            return True
        waiting.append((worker, now))
        return False

    def _release(self, now: float, lock: int) -> None:
        waiting = self._locks[lock]
        if waiting:
            worker, since = waiting.popleft()
            self.lock_wait += now - since
            self._at(now, GOES_ON, worker)
        else:
            del self._locks[lock]

    def _joins(self, now: float, worker: int, task: int) -> bool:
        """Wait for a task; say whether the worker runs others meanwhile."""
        crew = self._crew_of[worker]
        if crew.rules.helping and len(crew.queues):
            return True
        waiting = self._joining.setdefault(task, [])
        if worker not in waiting:
            waiting.append(worker)
        if crew.rules.helping:
            self._park(now, worker)
        return False

    def _takes(self, now: float, worker: int) -> bool:
        """Begin the next task or park; say whether the worker goes on at once."""
        crew = self._crew_of[worker]
        task, attempts = crew.queues.take(worker - crew.first)
        stack = self._stacks[worker]
        if task < 0:
            if stack and not len(crew.queues):  # in a join, whose task may have ended meanwhile
                return True
            return self._gives_up(now, worker)
        overheads = crew.overheads
        stack.append([task, 0])
        self.began[task] = now
        overhead = overheads.dispatch_ns + attempts * overheads.attempt_ns
        if overheads.hand_over_ns > 0:
            stack[-1][0] = -1 - task
        if overhead > 0:
            self._due[worker] = NEVER  # it is no task's wait
            self._cores.add(now, worker, overhead, locked=overheads.dispatch_locked)
        return overhead <= 0

    def _gives_up(self, now: float, worker: int) -> bool:
        stack = self._stacks[worker]
        if stack:
            steps = self._steps[stack[-1][0]]
            awaited = steps[stack[-1][1]][1]
            if self.ended[awaited] == self.ended[awaited]:
                return True
            waiting = self._joining.setdefault(awaited, [])
            if worker not in waiting:
                waiting.append(worker)
        self._park(now, worker)
        return False

    def _park(self, now: float, worker: int) -> None:
        self.parks += 1
        crew = self._crew_of[worker]
        crew.parked[worker] = None
        self._parked_since[worker] = now
        if len(crew.queues) and crew.overheads.poll_ns > 0:
            self._poll_later(now, worker)

    def _end(self, now: float, task: int) -> None:
        self.ended[task] = now
        self.left -= 1
        for worker in self._joining.pop(task, ()):
            crew = self._crew_of[worker]
            if not crew.rules.helping or worker in crew.parked:
                self._wake(now, worker)
        for after in self._next.get(task, ()):
            self._missing[after] -= 1
            if not self._missing[after]:
                self._at(max(now, self._comes.get(after, 0)), COMES, after)
        if task in self._outside:
            crew = self.crews[self._team[task]]
            crew.ended += 1
            self._open_gates(now, crew)

    def _open_gates(self, now: float, crew: Crew) -> None:
        gates = crew.gates
        while gates and gates[-1][0] <= crew.ended:
            _, later_ns, task = gates.pop()
            self._at(now + later_ns, COMES, task)
