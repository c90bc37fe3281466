"""Where queued tasks of a simulated pool are, and which of them a worker takes next."""

from __future__ import annotations

from collections import deque
from heapq import heappop, heappush
from typing import TYPE_CHECKING

from .rules import Taking

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

    from .rules import Rules


class OneQueue:
    """One queue that all workers share."""

    def __init__(self, rules: Rules) -> None:
        self._by_number = rules.taking is Taking.LIST
        self._tasks: list[tuple[int, int]] = []
        self._came = 0
        self.attempts = self.hits = 0

    def __len__(self) -> int:
        return len(self._tasks)

    def put(self, task: int, _worker: int) -> None:
        """Queue a task."""
        self._came += 1
        heappush(self._tasks, (task if self._by_number else self._came, task))

    def take(self, _worker: int) -> tuple[int, int]:
        """Return (the next task, 0 steal attempts), -1 for no task."""
        return (heappop(self._tasks)[1] if self._tasks else -1), 0


class Deques:
    """A deque for each worker, and an inbox for what comes from outside."""

    def __init__(self, rules: Rules, workers: int, random: Random) -> None:
        self._rules = rules
        self._random = random
        self._deques: list[deque[int]] = [deque() for _ in range(workers)]
        self._inbox: deque[int] = deque()
        self._queued = 0
        self.attempts = self.hits = 0

    def __len__(self) -> int:
        return self._queued

    def put(self, task: int, worker: int) -> None:
        """Queue a task: in the worker's own deque, or for worker -1 in the inbox."""
        (self._inbox if worker < 0 else self._deques[worker]).append(task)
        self._queued += 1

    def take(self, worker: int) -> tuple[int, int]:
        """Return (the next task, the steal attempts that it took), -1 for no task."""
        if not self._queued:
            return -1, 0
        own = self._deques[worker]
        self._queued -= 1
        if own:
            return (own.pop() if self._rules.owners_newest else own.popleft()), 0
        if self._inbox:
            return self._inbox.popleft(), 0
        return self._steal(worker)

    def _steal(self, worker: int) -> tuple[int, int]:
        victims = self._victims(worker)
        most = min(self._rules.attempts or len(victims), len(victims))
        for tried, victim in enumerate(victims[:most], 1):
            tasks = self._deques[victim]
            if tasks:
                self.attempts += tried
                self.hits += 1
                return self._take_from(tasks, self._deques[worker]), tried
        self._queued += 1
        self.attempts += most
        return -1, most

    def _victims(self, worker: int) -> Sequence[int]:
        """Return whom a thief tries, in this order."""
        workers, rules = len(self._deques), self._rules
        if rules.tried:
            tried = rules.tried[min(worker, len(rules.tried) - 1)]
            return [victim for victim in tried if victim < workers and victim != worker]
        around = [(worker + step) % workers for step in range(1, workers)]
        return self._random.sample(around, len(around)) if rules.random_victims else around

    def _take_from(self, tasks: deque[int], own: deque[int]) -> int:
        take = tasks.popleft if self._rules.thieves_oldest else tasks.pop
        more = (len(tasks) - 1) // 2 if self._rules.steals_half else 0
        task = take()
        own.extend(take() for _ in range(more))
        return task
