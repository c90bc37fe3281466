"""What a simulated pool has and how it works: workers, cores, overheads and the rules of taking."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


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
    """What there is to run on. cores: as many as are free for the pool, may be a fraction.

    one_lock: whether threads that hold the interpreter lock keep each other out.
    """

    workers: int
    cores: float
    one_lock: bool = False

    def __post_init__(self) -> None:
        if self.workers < 1 or self.cores <= 0:
            raise ValueError(f"{self.workers} workers on {self.cores} cores can run nothing")


@dataclass(frozen=True, slots=True)
class Overheads:
    """Nanoseconds that a pool needs beside its tasks.

    dispatch: on a core, before each task. attempt: on a core, for each steal attempt. wake: from
    the wake of a parked worker until it runs.
    """

    dispatch_ns: float = 0.0
    attempt_ns: float = 0.0
    wake_ns: float = 0.0


@dataclass(frozen=True, slots=True)
class Rules:
    """How workers take tasks and wait. helping: whether a worker in a join runs other tasks.

    The next three are for deques; random_victims: whether a thief tries victims in random order,
    else by rising index from its own on.
    """

    taking: Taking = Taking.ARRIVAL
    helping: bool = True
    owners_newest: bool = True
    thieves_oldest: bool = True
    random_victims: bool = True


NO_OVERHEADS = Overheads()
ONE_QUEUE = Rules()
