"""What a reading says of a pool's deques: which ends tasks were taken from, and how large.

Frozen parts of the reading, nothing is computed here but verdicts: "kept", "broken" or "unknown".
"""

from __future__ import annotations

from dataclasses import dataclass

from .moments import wilson

LEAST_TAKES = 30
"""Fewer takes with a choice than this tell nothing of a promise; common practice, no source."""
KEPT_SHARE = 0.9
"""Share of takes at the promised end from which on a promise counts as kept. A pool that takes at
random from two tasks has a half, and stamps that a thread switch delays spoil a few in a hundred;
common practice, no source."""
MOST_UNPLACED = 0.1
"""Share of takes of tasks that were moved between deques above which nothing is told."""

KEPT, BROKEN, UNKNOWN = "kept", "broken", "unknown"


@dataclass(frozen=True, slots=True)
class EndReading:
    """Takes by owners, or by thieves, and how many of them were at the promised end.

    takes: all; ambiguous: left out, because another take or push was too close to tell;
    with_choice: judged, of a deque of two tasks or more; at_end: of those, at the promised end.
    rank: median over those of the task's place from that end, 0 at it; length: median length of
    the deque; both 0.0 where none was judged. moments_ns: the first that were not at the end.
    """

    takes: int
    ambiguous: int
    with_choice: int
    at_end: int
    rank: float
    length: float
    moments_ns: tuple[int, ...]

    @property
    def verdict(self) -> str:
        """Kept from `KEPT_SHARE` on, broken where Wilson's interval lies below it."""
        if self.with_choice < LEAST_TAKES:
            return UNKNOWN
        if self.at_end >= KEPT_SHARE * self.with_choice:
            return KEPT
        upper = wilson(self.at_end, self.with_choice)[1]
        return BROKEN if upper < KEPT_SHARE else UNKNOWN


@dataclass(frozen=True, slots=True)
class EndsReading:
    """Whether owners took the newest task of their deque and thieves the oldest.

    begin_ns: from when on takes are judged. unplaced: takes of a task from another deque than its
    spawner's, which are not judged.
    """

    begin_ns: int
    own: EndReading
    stolen: EndReading
    unplaced: int

    @property
    def owners_newest(self) -> str:
        """The verdict on: owners take the newest."""
        return self._verdict(self.own)

    @property
    def thieves_oldest(self) -> str:
        """The verdict on: thieves take the oldest."""
        return self._verdict(self.stolen)

    def _verdict(self, end: EndReading) -> str:
        takes = self.own.takes + self.stolen.takes + self.unplaced
        return UNKNOWN if self.unplaced > MOST_UNPLACED * takes else end.verdict
