"""Packed rows: a row as 64-bit integers one after the other, and the rings that hold such rows.

A row of objects costs its writer least. But its reader runs on another core, and each object of the
row has to move there, which costs more than everything else about the row. So while a reader is
attached the writer packs its rows, and the reader copies bytes.

A packed row begins with what identifies it: its number, or the round that the ring was in. The
integers are in the machine's byte order. The wire's is little-endian, so on other machines rows are
not packed.
"""

from __future__ import annotations

import struct
import sys
from array import array
from collections.abc import Sequence
from typing import Any

from ._rings import Ring, Row, SpawnRing, Token
from ._tables import NONE, TABLES, TASKS, TOKEN_COLUMNS, Table

CELL_BYTES = 8
"""The size of one 64-bit integer."""
LITTLE = sys.byteorder == "little"
TASK_BYTES = (1 + TASKS.width) * CELL_BYTES
"""The size of a packed row of `TASKS` behind its number."""
SPAWN_BYTES = 2 * CELL_BYTES
PLACES = {table.name: {c: n for n, c in enumerate(table.names)} for table in TABLES.values()}
"""The place of each column by table and name."""

pack_task = struct.Struct(f"={1 + TASKS.width}q").pack_into
"""``pack_task(packed, slot * TASK_BYTES, number + 1, *token, started, ended, taken_from, cpu,
outcome)``. Raises struct.error for what is no 64-bit integer."""
pack_spawn = struct.Struct("=2q").pack_into
"""``pack_spawn(packed, slot * SPAWN_BYTES, task | mask, spawned_ns)`` of the ring's mask. All
spawns of one round begin with the same integer, the last number of the round, which is above 0."""
_task_at = struct.Struct(f"={1 + TASKS.width}q").unpack_from
_number_at = struct.Struct("=q").unpack_from
_two_at = struct.Struct("=2q").unpack_from


def fitting(value: object) -> int:
    """Return a value if it is a 64-bit integer, -1 otherwise."""
    return value if isinstance(value, int) and -(2**63) <= value < 2**63 else -1


class PackedRows:
    """Packed rows of a table. Each row begins with `skip` integers that identify it."""

    def __init__(self, table: Table, data: bytes | bytearray, skip: int = 0) -> None:
        self.data = data
        self.skip = skip
        self._table = table
        self._width = skip + table.width

    def __len__(self) -> int:
        return len(self.data) // (CELL_BYTES * self._width)

    def __add__(self, other: PackedRows) -> PackedRows:
        return PackedRows(self._table, self.data + other.data, self.skip)

    def __getitem__(self, places: slice) -> PackedRows:
        width = self._width * CELL_BYTES
        begin, end, _ = places.indices(len(self))
        return PackedRows(self._table, self.data[begin * width : end * width], self.skip)

    def column(self, name: str) -> array[int]:
        """Return one column."""
        return array("q", self._cells(name).tobytes())

    def change(self, name: str, column: array[int]) -> None:
        """Put another column in the place of one."""
        if not isinstance(self.data, bytearray):
            self.data = bytearray(self.data)
        self._cells(name)[:] = memoryview(column)

    def _cells(self, name: str) -> memoryview:
        place = self.skip + PLACES[self._table.name][name]
        return memoryview(self.data).cast("q")[place :: self._width]

    def some(self, most: int) -> list[Row]:
        """Return at most about so many rows of tasks, spread evenly, in the form of objects."""
        data, width = memoryview(self.data).cast("q"), self._width
        step = max(1, len(self) // most) * width
        starts = range(self.skip, len(data), step)
        return [_as_put(data[start : start + width - self.skip].tolist()) for start in starts]


def _as_put(columns: Sequence[int]) -> Row:
    return tuple(columns[:TOKEN_COLUMNS]), *columns[TOKEN_COLUMNS:]


class TaskRing(Ring):
    """The task rows of one worker. While `packed` is there the writer fills it instead of `slots`.

    Rows put before a change are in one of the two, rows put after it in the other. A read that
    covers both returns objects.
    """

    __slots__ = ("_buffer", "_since", "packed")

    def __init__(self, rows: int) -> None:
        super().__init__(rows)
        self.packed: bytearray | None = None
        self._buffer: bytearray | None = None
        self._since = 0

    def set_packed(self, is_packed: bool) -> None:
        """Have rows packed from now on, or put as objects again. Only the reader calls this."""
        if not is_packed:
            self.packed = None
        elif self.packed is None and LITTLE:
            self._buffer = self._buffer or bytearray((self.mask + 1) * TASK_BYTES)
            self.packed = self._buffer
            # The writer may have read `packed` already, and put this one row in the old form.
            self._since = self.written

    def put(self, row: Row) -> None:
        """Add a row. Only the ring's one writer calls this."""
        packed = self.packed
        if packed is None:
            super().put(row)
            return
        number = self.written
        place = (number & self.mask) * TASK_BYTES
        try:
            pack_task(packed, place, number + 1, *row[0], *row[1:])
        except struct.error:
            pack_task(packed, place, number + 1, *map(fitting, (*row[0], *row[1:])))
        self.written = number + 1

    def _hold(self, first: int, rows: list[Row | None], size: int) -> None:
        super()._hold(first, rows, size)
        self.packed = self._buffer = None

    def memory_bytes(self) -> int:
        """Return about how many bytes it takes."""
        return super().memory_bytes() + len(self._buffer or b"")

    def last_task(self) -> int:
        """Return the number of the task that the last row is of, -1 without any."""
        number = self.written - 1
        if number < 0:
            return NONE
        if self._is_packed(number):
            assert self._buffer is not None  # noqa: S101 - a packed row is in it
            return int(_two_at(self._buffer, (number & self.mask) * TASK_BYTES)[1])
        row = self.slots[number & self.mask]
        return NONE if row is None else int(row[0][0])

    def _is_packed(self, number: int) -> bool:
        if self._buffer is None:
            return False
        number_there: int = _number_at(self._buffer, (number & self.mask) * TASK_BYTES)[0]
        return number_there == number + 1

    def _copy(self, slots: list[Row | None], first: int, end: int) -> Any:
        if end <= first or self._buffer is None:
            return super()._copy(slots, first, end)
        if not self._are_packed_from(first):
            return [self._row(number) for number in range(first, end)]
        low, high = ((number & self.mask) * TASK_BYTES for number in (first, end))
        buffer = memoryview(self._buffer)
        if low < high:
            return PackedRows(TASKS, bytearray(buffer[low:high]), skip=1)
        return PackedRows(TASKS, bytearray(buffer[low:]) + buffer[:high], skip=1)

    def _are_packed_from(self, number: int) -> bool:
        if self.packed is None or number < self._since:
            return False
        return number > self._since or self._is_packed(number)

    def _row(self, number: int) -> Row | None:
        if self._is_packed(number):
            assert self._buffer is not None  # noqa: S101 - a packed row is in it
            return _as_put(_task_at(self._buffer, (number & self.mask) * TASK_BYTES)[1:])
        return self.slots[number & self.mask]


class Spawns(SpawnRing):
    """The newest spawns of a pool. While `packed` is there the writers fill it instead of `slots`.

    Spawns put before a change are in one of the two, spawns put after it in the other.
    """

    __slots__ = ("_buffer", "packed")

    def __init__(self, rows: int) -> None:
        super().__init__(max(2, rows))  # or no round would have a last number above 0
        self.packed: bytearray | None = None
        self._buffer: bytearray | None = None

    def set_packed(self, is_packed: bool) -> None:
        """Have spawns packed from now on, or put as objects again. Only the reader calls this."""
        if not is_packed:
            self.packed = None
        elif self.packed is None and LITTLE:
            self._buffer = self._buffer or bytearray((self.mask + 1) * SPAWN_BYTES)
            self.packed = self._buffer

    def keep(self, token: Token) -> None:
        """Add the spawn of a token whose number has been drawn; any thread may."""
        place, packed = token[0] & self.mask, self.packed
        if packed is None:
            self.slots[place] = token
        else:
            pack_spawn(packed, place * SPAWN_BYTES, token[0] | self.mask, token[3])

    def _hold(self, first: int, timestamps: list[int], size: int) -> None:
        super()._hold(first, timestamps, max(2, size))
        self.packed = self._buffer = None

    def memory_bytes(self) -> int:
        """Return about how many bytes it takes."""
        return super().memory_bytes() + len(self._buffer or b"")

    def holds(self, number: int) -> bool:
        """Return whether spawn `number` has been put, or a later one in its place."""
        newest = self.slots[number & self.mask][0] if self._buffer is None else self._newest(number)
        return newest >= number

    def read(self, position: int, limit: int) -> tuple[int, Any]:
        """Return the same as a ring of objects; the timestamps are an array where all were
        packed."""
        if self._buffer is None:
            return super().read(position, limit)
        limit = min(limit, self.mask + 1)
        first = max(position, self.begin)
        while self._newest(first) > first:
            first = self._newest(first) - self.mask
        timestamps = self._packed_from(first, limit)
        following = first + len(timestamps)
        if len(timestamps) < limit and self.slots[following & self.mask][0] == following:
            return first, self._all_from(first, limit)
        return first, timestamps

    def _newest(self, number: int) -> int:
        """Return the number of the newest spawn that lies where `number` would, -1 without any."""
        assert self._buffer is not None  # noqa: S101 - its callers have checked
        place = number & self.mask
        last: int = _number_at(self._buffer, place * SPAWN_BYTES)[0]
        in_packed = last - self.mask + place if last else NONE
        return max(in_packed, self.slots[place][0])

    def _packed_from(self, first: int, limit: int) -> array[int]:
        """Return the timestamps from `first` on up to the first spawn that is not packed."""
        assert self._buffer is not None  # noqa: S101 - its callers have checked
        end = min(first + limit, (first | self.mask) + 1)  # to the end of this round
        low, high = ((number - (first & ~self.mask)) * SPAWN_BYTES for number in (first, end))
        data = array("q")
        data.frombytes(self._buffer[low:high])
        rounds, timestamps = data[0::2], data[1::2]
        this = first | self.mask
        count = _run_of(rounds, this)
        found = timestamps[:count]
        if first + count == end and count < limit:
            found += self._packed_from(end, limit - count)
        return found

    def _all_from(self, first: int, limit: int) -> list[int]:
        assert self._buffer is not None  # noqa: S101 - its callers have checked
        timestamps: list[int] = []
        for number in range(first, first + limit):
            place = number & self.mask
            last, timestamp = _two_at(self._buffer, place * SPAWN_BYTES)
            token = self.slots[place]
            if last == number | self.mask:
                timestamps.append(timestamp)
            elif token[0] == number:
                timestamps.append(token[3])
            else:
                break
        return timestamps


def _run_of(values: array[int], value: int) -> int:
    """Return how many values at the front are equal to `value`.

    Usually all equal values are at the front, so bisection is tried first.
    """
    low, high = 0, len(values)
    while low < high:
        middle = (low + high) // 2
        if values[middle] == value:
            low = middle + 1
        else:
            high = middle
    if values[:low].tobytes() != value.to_bytes(CELL_BYTES, sys.byteorder) * low:
        return next(place for place, other in enumerate(values) if other != value)
    return low
