"""What a worker reports of the deques of others: its steal attempts, and contention."""

from __future__ import annotations

from time import monotonic_ns

from ._notes import shown
from ._rings import Ring
from ._tables import NONE
from ._worker import RecordingPool, WorkerSense, rows_per_worker

CONTENTION_ROWS_PER_POOL = 1 << 13


class Thief(WorkerSense):
    """The counts of one worker's steal attempts, one of each outcome per victim.

    A failed attempt costs one increment and no more: attempts are counted, not logged.
    """

    __slots__ = ("contention", "empties", "hits", "lost_races", "pool")

    def __init__(self, pool: RecordingPool, index: int) -> None:
        super().__init__(index)
        self.pool = pool
        self.contention = Ring(rows_per_worker(CONTENTION_ROWS_PER_POOL, pool.workers))
        self.hits = [0] * pool.workers
        self.empties = [0] * pool.workers
        self.lost_races = [0] * pool.workers

    def missed(self, victim: int) -> None:
        """Record a steal attempt that found `victim`'s deque empty. Misuse: no such worker."""
        try:
            # A negative index would count from the end without an error, so it is sent past it.
            self.empties[victim if victim >= 0 else self.pool.workers] += 1
        except Exception as error:
            self.no_such_victim(victim, error)

    def stolen(self, victim: int) -> None:
        """Record a hit: a task taken from `victim`'s deque. Misuse: no such worker."""
        try:
            self.hits[victim if victim >= 0 else self.pool.workers] += 1
        except Exception as error:
            self.no_such_victim(victim, error)

    def lost_race(self, victim: int, length: int = NONE) -> None:
        """Record a steal attempt that saw a task which another worker then took.

        `length` is the number of tasks in `victim`'s deque then, -1 if unknown. Misuse: no such
        worker.
        """
        try:
            self.lost_races[victim if victim >= 0 else self.pool.workers] += 1
            if length >= 0:
                self.contention.put((monotonic_ns(), victim, length, NONE))
        except Exception as error:
            self.no_such_victim(victim, error)

    def contended(self, owner: int, length: int = NONE, waited_ns: int = 0) -> None:
        """Record an operation at the end of `owner`'s deque that had to wait for another one.

        The operation waited `waited_ns`; when it began the deque held `length` tasks, -1 if
        unknown. Misuse: no such worker.
        """
        try:
            if not 0 <= owner < self.pool.workers:
                self.no_such_victim(owner, IndexError())
                return
            self.contention.put((monotonic_ns(), owner, length, waited_ns))
        except Exception as error:
            self.no_such_victim(owner, error)

    def met(self, owner: int, length: int = NONE, waited_ns: int = 0) -> None:
        """Do what `contended` does: the older name of it."""
        self.contended(owner, length, waited_ns)

    def attempts(self) -> int:
        """Return how many steal attempts there were so far."""
        # Summed here, once an idle interval, so that a failed attempt stays a single increment.
        return sum(self.empties) + sum(self.hits) + sum(self.lost_races)

    def no_such_victim(self, victim: object, error: Exception) -> None:
        """Report a victim that is not an index of this pool."""
        if isinstance(error, (IndexError, TypeError)):
            self.misused(f"victim {shown(victim)} is not a worker of a pool of {self.pool.workers}")
        else:
            self.failed(error)

    def misused(self, message: str) -> None:
        """Raise `ProbeMisuse` in strict mode, count the misuse otherwise."""
        self.pool.misused(f"worker {self.index}: {message}")

    def failed(self, error: Exception) -> None:
        """Raise a misuse again; for any other error switch the pool's record off."""
        self.pool.failed(error)
