"""What a simulated pool has and how it works: workers, cores, overheads and the rules of taking."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

MOST_WORKERS = 1024
"""The most workers of a simulated pool: as many as are read of a recorded one."""


class Taking(StrEnum):
    """Where a worker takes its next task from.

    ARRIVAL: one queue, the task that came first. LIST: one queue, the ready task of the lowest
    number, as in list scheduling. DEQUES: each worker's own deque, then the inbox, then the deques
    of others.
    """

    ARRIVAL = "arrival"
    LIST = "list"
    DEQUES = "deques"


@dataclass(frozen=True, slots=True)
class Machine:
    """What there is to run on. cores: as many as the process may use, may be a fraction.

    one_lock: whether threads that hold the interpreter lock keep each other out. others: how many
    threads that are no workers want these cores all along; may be a fraction. of_the_job: how many
    of these are threads of the job itself. lock_others: how many threads of this process that are
    no workers want the interpreter lock all along.
    """

    cores: float
    one_lock: bool = False
    others: float = 0.0
    of_the_job: float = 0.0
    lock_others: float = 0.0

    def __post_init__(self) -> None:
        if not self.cores > 0:
            raise ValueError(f"nothing can run on {self.cores} cores")

    @property
    def foreign(self) -> float:
        """How many threads of other processes want these cores all along."""
        return self.others - self.of_the_job

    @property
    def undisturbed(self) -> Machine:
        """The same machine with nobody on it but the job."""
        return replace(self, others=self.of_the_job)


@dataclass(frozen=True, slots=True)
class Overheads:
    """Nanoseconds that a pool needs beside its tasks.

    dispatch: on a core, before each task; with `dispatch_locked` it holds the interpreter lock.
    hand_over: off the core, before each task (a result or a task on its way through a pipe). feed:
    how long each task from outside takes on its way to the workers, one after the other (a thread
    of the submitter serialises it and writes it into a pipe).
    attempt: on a core, for each steal attempt. wake: from the wake of a parked worker until it
    runs. poll: how long a parked worker that nobody wakes stays parked, 0 for ever.
    """

    dispatch_ns: float = 0.0
    attempt_ns: float = 0.0
    wake_ns: float = 0.0
    hand_over_ns: float = 0.0
    feed_ns: float = 0.0
    poll_ns: float = 0.0
    dispatch_locked: bool = False


@dataclass(frozen=True, slots=True)
class Rules:
    """How workers take tasks and wait. helping: whether a worker in a join runs other tasks.

    wakes: whether each hand-in wakes a parked worker. The next are for deques. random_victims:
    whether a thief tries victims in random order, else by rising index from its own on. tried: the
    victims that each thief tries and no others, the first one first; workers beyond try those of
    the last one; empty for all. attempts: after so many failed steal attempts a worker parks, also
    beside queued tasks; 0: only when the whole pool is empty. steals_half: whether a steal takes
    half of the victim's deque (rounded up)
    and not one task; the thief runs the first and keeps the others in its own deque.
    """

    taking: Taking = Taking.ARRIVAL
    helping: bool = True
    wakes: bool = True
    owners_newest: bool = True
    thieves_oldest: bool = True
    random_victims: bool = True
    tried: tuple[tuple[int, ...], ...] = ()
    attempts: int = 0
    steals_half: bool = False


NO_OVERHEADS = Overheads()
ONE_QUEUE = Rules()


@dataclass(frozen=True, slots=True)
class Team:
    """The workers of one pool."""

    workers: int
    rules: Rules = ONE_QUEUE
    overheads: Overheads = NO_OVERHEADS

    def __post_init__(self) -> None:
        if self.workers < 1:
            raise ValueError(f"{self.workers} workers can run nothing")
