"""What the blocked time of a pool waited for: data only, part of a `PoolReading`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WaitReading:
    """An estimate of the blocked time that waited for one thing, with its 95 % interval.

    sort: what it waited for, a `WaitReason`. seconds, low_s, high_s: worker time. kind: the kind of
    task that was found waiting for it in most samples, "" where less than half of them were of one.
    """

    sort: str
    seconds: float
    low_s: float
    high_s: float
    kind: str = ""


@dataclass(frozen=True, slots=True)
class BlockedReading:
    """What the blocked time of a pool waited for.

    join_s, declared_s: exact, from joins and declared waits that the tasks recorded. waits: the
    rest, split in proportion to `samples` of blocked workers; with too few samples waits is empty
    and unsplit_s is the whole rest. one_core: working time adds up to about one core while more
    than one worker was in a task; from outside, the interpreter lock looks like this.
    """

    join_s: float
    declared_s: float
    waits: tuple[WaitReading, ...]
    samples: int
    unsplit_s: float
    one_core: bool

    def kind(self, sort: str) -> str:
        """Return the kind of task that mostly waits for one thing, "" where none does."""
        return next((wait.kind for wait in self.waits if wait.sort == sort), "")

    def seconds(self, sort: str) -> float:
        """Return the estimated seconds of one sort of wait, 0 where no sample found it."""
        return next((wait.seconds for wait in self.waits if wait.sort == sort), 0.0)
