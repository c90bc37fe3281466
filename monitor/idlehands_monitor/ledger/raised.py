"""Which exceptions ended a pool's tasks, as counted by the probe since the pool began. Pure.

Counts come with the levels of a pool. Of a window they are the differences of two of them.
"""

from __future__ import annotations

from collections import Counter, deque

MOST_HELD = 512
"""Counts held, each of another time; past this the oldest are dropped."""
SPACING_NS = 500_000_000

Raised = Counter[tuple[int, str]]
"""How many tasks raised, by the number of their kind and the name of the exception's class."""


class RaisedCounts:
    """The counts of one pool over time, oldest first; equal ones are held once."""

    def __init__(self) -> None:
        self._held: deque[tuple[int, Raised]] = deque(maxlen=MOST_HELD)

    def note(self, at_ns: int, rows: list[tuple[int, str, int]]) -> None:
        """Take the counts of a ``levels`` frame, about twice a second."""
        if not rows or (self._held and self._held[-1][1].total() == sum(row[2] for row in rows)):
            return
        if len(self._held) > 1 and at_ns - self._held[-2][0] < SPACING_NS:
            self._held.pop()
        self._held.append((at_ns, Counter({(kind, name): times for kind, name, times in rows})))

    def names(self, kind: int) -> tuple[str, ...]:
        """Return what tasks of a kind have raised so far, the most frequent first."""
        counted = self._held[-1][1].most_common() if self._held else []
        return tuple(name for (of, name), _ in counted if of == kind and name)

    def between(self, begin_ns: int, end_ns: int) -> Raised:
        """Return what was counted between two timestamps, as far as counts were taken then."""
        before: Raised = Counter()
        now: Raised = Counter()
        for at_ns, counts in self._held:
            if at_ns <= begin_ns:
                before = counts
            if at_ns <= end_ns:
                now = counts
        return now - before
