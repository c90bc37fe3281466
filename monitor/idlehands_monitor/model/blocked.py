"""What blocked time waited for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WaitReading:
    """Blocked time that waited for one sort of thing, estimated, with its 95 % interval."""

    sort: str
    seconds: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class BlockedReading:
    """What the blocked time of a pool waited for.

    join_s, marked_s: exact, from waits that the tasks recorded. waits: the rest, split by `samples`
    at blocked workers; empty with too few of them, then unsplit_s is all the rest. one_core: the
    worker time on a core adds up to about one core while more workers than one were in tasks,
    which is how the interpreter lock looks from outside.
    """

    join_s: float
    declared_s: float
    waits: tuple[WaitReading, ...]
    samples: int
    unsplit_s: float
    one_core: bool

    def seconds(self, sort: str) -> float:
        """Return the estimate for one sort of wait, 0 where it was never seen."""
        return next((wait.seconds for wait in self.waits if wait.sort == sort), 0.0)
