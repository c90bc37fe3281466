"""Bounded row stores that a pool's threads write and the outlet reads, without locks.

`Ring` has one writer, `SpawnRing` any number. Readers copy slots and discard those that were
overwritten meanwhile; how many were lost follows exactly from the running numbers.
"""

from __future__ import annotations

import itertools
from operator import itemgetter
from typing import Any

from ._tables import NONE

Token = tuple[int, int, int, int, int, int]
"""What a queued task carries: task, parent, kind, spawned_ns, spawned_by, size."""

NO_TOKEN: Token = (NONE, NONE, 0, 0, NONE, NONE)

NUMBER = itemgetter(0)
"""A token's task."""
MOMENT = itemgetter(3)
"""A token's spawned_ns."""

Row = tuple[Any, ...]


class Ring:
    """A bounded row store with one writer.

    ``slots[n & mask]`` holds row ``n``; ``written`` counts the rows ever put. The writer
    stores the row first and the count after, so a row that is counted is there.
    """

    __slots__ = ("mask", "slots", "written")

    def __init__(self, rows: int) -> None:
        size = 1 << (rows - 1).bit_length()
        self.slots: list[Row | None] = [None] * size
        self.mask = size - 1
        self.written = 0

    def put(self, row: Row) -> None:
        """Add a row. Only the ring's one writer calls this."""
        number = self.written
        self.slots[number & self.mask] = row
        self.written = number + 1

    def read(self, position: int, limit: int) -> tuple[int, Any]:
        """Return (number of the first row returned, rows) from `position` on, `limit` at most.

        The first number is past `position` where rows were overwritten before they were read.
        """
        size = self.mask + 1
        end = self.written
        first = max(position, end + 1 - size)  # the oldest may be being overwritten just now
        end = min(end, first + limit)
        rows = self._copy(first, end)
        # The writer went on while we copied: what it may have begun to overwrite is not ours.
        safe = self.written + 1 - size
        if safe > first:
            rows = rows[safe - first :]
            first = min(safe, end)
        return first, rows

    def _copy(self, first: int, end: int) -> Any:
        if end <= first:
            return []
        low, high = first & self.mask, end & self.mask
        if low < high:
            return self.slots[low:high]
        return self.slots[low:] + self.slots[:high]


class SpawnRing:
    """The newest spawns of a pool, written by any thread: slot ``task & mask`` holds its token."""

    __slots__ = ("begin", "mask", "next_number", "slots")

    def __init__(self, rows: int) -> None:
        size = 1 << (rows - 1).bit_length()
        self.slots: list[Token] = [NO_TOKEN] * size
        self.mask = size - 1
        self.next_number = itertools.count().__next__
        self.begin = 0

    def read(self, position: int, limit: int) -> tuple[int, list[int]]:
        """Return (number of the first spawn returned, moments of it and those after it).

        Stops before a number that was drawn but whose token is not in its slot yet: its
        spawner was interrupted between the two, and the next read will find it.
        """
        mask, slots = self.mask, self.slots
        first = max(position, self.begin)
        while slots[first & mask][0] > first:  # gone round: go to the oldest it can still hold
            first = slots[first & mask][0] - mask
        tokens = self._copy(first, first + self._about_how_many(first, limit))
        count = len(tokens)
        if list(map(NUMBER, tokens)) != list(range(first, first + count)):
            count = next(n for n, token in enumerate(tokens) if token[0] != first + n)
        return first, list(map(MOMENT, tokens[:count]))

    def _about_how_many(self, first: int, limit: int) -> int:
        """Return at least how many spawns there are from `first` on, and not many times that."""
        mask, slots = self.mask, self.slots
        step = 1
        while step < limit and slots[(first + step - 1) & mask][0] == first + step - 1:
            step *= 2
        return min(step, limit, mask + 1)

    def _copy(self, first: int, end: int) -> list[Token]:
        low, high = first & self.mask, end & self.mask
        if low < high:
            return self.slots[low:high]
        return self.slots[low:] + self.slots[:high]
