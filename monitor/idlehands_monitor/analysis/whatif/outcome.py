"""What a simulated run came to: data only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outcome:
    """When each task came, began and ended, in ns by its number; NaN for one that never did.

    steals, attempts: of all workers. parks: how often a worker parked. lock_wait_ns: how long
    tasks waited for locks of the program's, all together. core_wait_ns: how long tasks waited for a
    core or the interpreter lock.
    """

    came_ns: tuple[float, ...]
    began_ns: tuple[float, ...]
    ended_ns: tuple[float, ...]
    steals: int
    attempts: int
    parks: int
    lock_wait_ns: float = 0.0
    core_wait_ns: float = 0.0

    @property
    def end_ns(self) -> float:
        """When the last task ended."""
        return max((end for end in self.ended_ns if end == end), default=0.0)
