"""Bounded row stores that a pool's threads write and the publisher reads, without locks.

`Ring` has one writer, `SpawnRing` any number. Readers copy slots and discard those that were
overwritten during the copy; how many were lost follows exactly from the running numbers.
"""

from __future__ import annotations

import itertools
from operator import itemgetter
from typing import Any, Callable

from ._tables import NONE

Token = tuple[int, int, int, int, int, int]
"""What a queued task carries: task, parent, kind, spawned_ns, spawned_by, size."""

NO_TOKEN: Token = (NONE, NONE, 0, 0, NONE, NONE)

NUMBER = itemgetter(0)
"""A token's task."""
TIMESTAMP = itemgetter(3)
"""A token's spawned_ns."""

Row = tuple[Any, ...]

SLOT_BYTES, ROW_BYTES = 8, 400
"""About the bytes of a slot, and of a row's objects: a task's row is two tuples and ten integers
(sys.getsizeof, CPython 3.11)."""


def is_token(token: object) -> bool:
    """Return whether something has the form of a token."""
    return type(token) is tuple and len(token) == len(NO_TOKEN)


class Room:
    """The room of new rings: each gets less in a process with many pools.

    That saves memory, and time in each full garbage collection, which visits all slots.
    """

    MANY, VERY_MANY = 64, 512
    SMALLEST = 1 << 8
    shift = 0

    @classmethod
    def share_among(cls, pools: int) -> None:
        """Fit the rings of the next pool to how many pools there are."""
        cls.shift = 0 if pools < cls.MANY else 3 if pools < cls.VERY_MANY else 5

    @classmethod
    def for_rows(cls, rows: int) -> int:
        """Return how many rows a ring gets that would have `rows` in a process of few pools."""
        return max(min(rows, cls.SMALLEST), rows >> cls.shift)


class Ring:
    """A bounded row store with one writer.

    ``slots[n & mask]`` holds row ``n``; ``written`` counts the rows ever put. The writer
    stores the row first and the count after it, so a counted row is there. Readers use the length
    of ``slots`` and not ``mask``, so that a replaced list comes with its own length.
    """

    __slots__ = ("mask", "most_rows", "slots", "written")

    def __init__(self, rows: int) -> None:
        self.most_rows = rows
        self.slots: list[Row | None] = [None] * _size(rows)
        self.mask = len(self.slots) - 1
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
        while True:
            slots = self.slots
            found = self._read(slots, position, limit)
            if slots is self.slots:  # else it has grown: newer rows are in the other list only
                return found

    def _read(self, slots: list[Row | None], position: int, limit: int) -> tuple[int, Any]:
        size = len(slots)
        end = self.written
        first = max(position, end + 1 - size)  # the oldest may be overwritten just now
        end = min(end, first + limit)
        rows = self._copy(slots, first, end)
        # The writer did not stop for the copy: drop the rows that it may have begun to overwrite.
        safe = self.written + 1 - size
        if safe > first:
            rows = rows[safe - first :]
            first = min(safe, end)
        return first, rows

    def _copy(self, slots: list[Row | None], first: int, end: int) -> Any:
        return _between(slots, first, end)

    def grow(self, most: int) -> None:
        """Take twice the room, if that is at most so many rows. Only the writer calls this."""
        if 2 * len(self.slots) <= most:
            first, rows = max(0, self.written - len(self.slots)), self.slots
            self._hold(first, _between(rows, first, self.written), 2 * len(rows))
            self.most_rows = len(self.slots)

    def compact(self) -> None:
        """Take no more room than the rows there are. Only while no thread writes."""
        first, rows = self.read(0, self.mask + 1)
        self._hold(first, list(rows), len(rows) + 1)

    def restore(self) -> None:
        """Have room again for as many rows as at first. Only while no thread writes."""
        first, rows = self.read(0, self.mask + 1)
        self._hold(first, list(rows), self.most_rows)

    def _hold(self, first: int, rows: list[Row | None], size: int) -> None:
        slots: list[Row | None] = [None] * _size(size)
        for number, row in enumerate(rows, first):
            slots[number & (len(slots) - 1)] = row
        self.slots, self.mask = slots, len(slots) - 1

    def forget(self) -> None:
        """Hold no row any more: a later reader finds all of them lost."""
        self._hold(self.written, [], 1)

    def memory_bytes(self) -> int:
        """Return about how many bytes it takes."""
        return SLOT_BYTES * len(self.slots) + ROW_BYTES * min(self.written, len(self.slots))


def _size(rows: int) -> int:
    return 1 << max(0, rows - 1).bit_length()


def _between(slots: list[Any], first: int, end: int) -> list[Any]:
    """Return the slots of the numbers from `first` to before `end`; at most all of them."""
    if end <= first:
        return []
    mask = len(slots) - 1
    low, high = first & mask, end & mask
    if low < high:
        return slots[low:high]
    return slots[low:] + slots[:high]


class SpawnRing:
    """The newest spawns of a pool, written by any thread: slot ``task & mask`` holds its token."""

    __slots__ = ("_count", "begin", "mask", "most_rows", "next_number", "slots")

    def __init__(self, rows: int) -> None:
        self.most_rows = rows
        self.slots: list[Token] = [NO_TOKEN] * _size(rows)
        self.mask = len(self.slots) - 1
        self._count = itertools.count().__next__
        self.next_number: Callable[[], int] = self._count
        self.begin = 0

    def call_before_next(self, first: Callable[[], None]) -> None:
        """Have `first` called, once, before the next number is drawn."""

        def next_number() -> int:
            self.next_number = self._count
            first()
            return self._count()

        self.next_number = next_number

    def read(self, position: int, limit: int) -> tuple[int, list[int]]:
        """Return (number of the first spawn returned, timestamps of it and those after it).

        It stops before a number that was drawn and whose token is not in its slot yet: the
        spawning thread was interrupted between the two, and the next read finds the token.
        """
        mask, slots = self.mask, self.slots
        first = max(position, self.begin)
        while slots[first & mask][0] > first:  # overwritten: go to the oldest it can hold
            first = slots[first & mask][0] - mask
        tokens = _between(self.slots, first, first + self._about_how_many(first, limit))
        count = len(tokens)
        if list(map(NUMBER, tokens)) != list(range(first, first + count)):
            count = next(n for n, token in enumerate(tokens) if token[0] != first + n)
        return first, list(map(TIMESTAMP, tokens[:count]))

    def _about_how_many(self, first: int, limit: int) -> int:
        """Return at least how many spawns there are from `first` on, and not many times that."""
        mask, slots = self.mask, self.slots
        step = 1
        while step < limit and slots[(first + step - 1) & mask][0] == first + step - 1:
            step *= 2
        return min(step, limit, mask + 1)

    def compact(self) -> None:
        """Take no more room than the spawns there are. Only while no thread spawns."""
        first, timestamps = self.read(0, self.mask + 1)
        self._hold(first, list(timestamps), len(timestamps) + 1)

    def restore(self) -> None:
        """Have room again for as many spawns as at first. Only while no thread spawns."""
        first, timestamps = self.read(0, self.mask + 1)
        self._hold(first, list(timestamps), self.most_rows)

    def _hold(self, first: int, timestamps: list[int], size: int) -> None:
        slots = [NO_TOKEN] * _size(size)
        for number, timestamp in enumerate(timestamps, first):
            slots[number & (len(slots) - 1)] = (number, NONE, 0, timestamp, NONE, NONE)
        self.slots, self.mask = slots, len(slots) - 1

    def forget(self) -> None:
        """Hold no spawn any more."""
        self._hold(0, [], 1)

    def memory_bytes(self) -> int:
        """Return about how many bytes it takes."""
        low, high = 0, len(self.slots)
        while low < high:  # the slots are filled in order, until all are
            middle = (low + high) // 2
            low, high = (middle + 1, high) if self.slots[middle] is not NO_TOKEN else (low, middle)
        return SLOT_BYTES * len(self.slots) + ROW_BYTES // 2 * low
