"""Shared slots as the publisher reads them: each is a worker like any other.

All data of a slot are read from one `Slot` object, in the shared memory or copied out of it, so no
reader sees half of a change from the memory to the copy. The job may have written anywhere in the
memory. Whatever is there, reading it ends, raises nothing and takes no more than a slot's room.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from . import _slot_layout as layout
from ._packed_rows import CELL_BYTES, PackedRows
from ._raised import Raised, counted_in
from ._rings import Token
from ._shared_slots import SharedSlots
from ._slot_layout import HEADER_CELLS, NAME_BYTES, SLOT_CELLS
from ._tables import IDLE_INTERVALS, INBOX, NONE, TASKS, WORKER_LIFETIMES, Table


class Slot(NamedTuple):
    """Where the memory of one slot is: shared, or a copy."""

    cells: memoryview
    begin: int
    """The place of the header; the rows of the first table follow it."""
    rows: tuple[int, ...]
    """The room for rows, table by table; a copy has room only for those that were written."""
    shared: SharedSlots | None
    """Held here, because a mapping must not go while it is read."""


SLOT_TABLES = (TASKS, WORKER_LIFETIMES, IDLE_INTERVALS)
"""The tables of a slot. `COUNTERS` and `MOST_ROWS` have the same order."""
COUNTERS = (layout.TASKS_WRITTEN, layout.LIFETIMES_WRITTEN, layout.IDLE_INTERVALS_WRITTEN)
MOST_ROWS = (layout.TASK_ROWS, layout.LIFETIME_ROWS, layout.IDLE_ROWS)
WIDTHS = tuple(table.width for table in SLOT_TABLES)

FORGOTTEN = Slot(memoryview(bytes(HEADER_CELLS * CELL_BYTES)).cast("q"), 0, (0, 0, 0), None)
"""A slot without any row."""


def slot_of(shared: SharedSlots, index: int) -> Slot:
    """Return one of the shared slots."""
    return Slot(shared.cells, index * SLOT_CELLS, MOST_ROWS, shared)


def written_in(slot: Slot, place: int) -> int:
    """Return how many rows of a table were ever put, 0 for an impossible count."""
    return max(0, int(slot.cells[slot.begin + COUNTERS[place]]))


def rows_at(slot: Slot, place: int) -> int:
    """Return where the rows of a table begin."""
    before = zip(WIDTHS[:place], slot.rows)
    return slot.begin + HEADER_CELLS + sum(width * rows for width, rows in before)


def copy_of(slot: Slot) -> Slot:
    """Return a copy of a slot outside the shared memory, with room for its rows and no more."""
    data = slot.cells[slot.begin : slot.begin + HEADER_CELLS].tobytes()
    rows = tuple(min(written_in(slot, place), most) for place, most in enumerate(slot.rows))
    for place, count in enumerate(rows):
        begin = rows_at(slot, place)
        data += slot.cells[begin : begin + count * WIDTHS[place]].tobytes()
    return Slot(memoryview(data).cast("q"), 0, rows, None)


def put_back(slot: Slot, shared: SharedSlots, index: int) -> Slot:
    """Copy a slot into shared slots that no worker uses yet; return the slot there."""
    new = slot_of(shared, index)
    parts = [(slot.begin, new.begin, HEADER_CELLS)]
    for place, count in enumerate(slot.rows):
        parts.append((rows_at(slot, place), rows_at(new, place), count * WIDTHS[place]))
    for begin, there, length in parts:
        new.cells[there : there + length] = slot.cells[begin : begin + length]
    return new


class SlotRing:
    """One table of one slot; reads as `_rings.Ring` does."""

    def __init__(self, slot: Slot, place: int) -> None:
        self._slot = slot
        self._place = place
        self._most = MOST_ROWS[place]
        self._width = WIDTHS[place]

    @property
    def written(self) -> int:
        """How many rows were ever put."""
        return written_in(self._slot, self._place)

    def read(self, position: int, limit: int) -> tuple[int, PackedRows]:
        """Return (number of the first row returned, rows), `limit` at most; see `Ring.read`."""
        slot, size = self._slot, self._most
        end = written_in(slot, self._place)
        first = max(position, end + 1 - size)
        end = min(end, first + limit)
        data = self._copy(slot, first, end)
        safe = written_in(slot, self._place) + 1 - size
        if safe > first:
            data = data[(min(safe, end) - first) * self._width * CELL_BYTES :]
            first = min(safe, end)
        return first, PackedRows(SLOT_TABLES[self._place], data)

    def _copy(self, slot: Slot, first: int, end: int) -> bytes:
        if end <= first:
            return b""
        low, high = first % self._most, end % self._most
        if low < high:
            return self._cells(slot, low, high)
        return self._cells(slot, low, self._most) + self._cells(slot, 0, high)

    def _cells(self, slot: Slot, low: int, high: int) -> bytes:
        begin, width = rows_at(slot, self._place), self._width
        return slot.cells[begin + low * width : begin + high * width].tobytes()

    def compact(self) -> None:
        """Do nothing: a slot is copied or forgotten as one."""

    restore = forget = compact

    def memory_bytes(self) -> int:
        """Return about how many bytes it takes."""
        return min(self.written, self._most) * self._width * CELL_BYTES


class SlotView:
    """One slot, with the fields that the publisher reads of any worker."""

    taken_from = INBOX
    idle_interval = None
    stack: tuple[Any, ...] = ()

    def __init__(self, slot: Slot, index: int) -> None:
        self.index = index
        self.slot = slot
        self.cpu_kinds: set[int] = set()

    # Made at each access: a cached ring would be of an older `slot`.

    @property
    def tasks(self) -> SlotRing:
        """The rows of its tasks."""
        return SlotRing(self.slot, 0)

    @property
    def lifetimes(self) -> SlotRing:
        """The rows of its processes' lifetimes."""
        return SlotRing(self.slot, 1)

    @property
    def idle_intervals(self) -> SlotRing:
        """The rows of its idle intervals."""
        return SlotRing(self.slot, 2)

    def rings(self) -> tuple[tuple[Table, Any], ...]:
        """Return the tables of this worker, with their rings."""
        return tuple(zip(SLOT_TABLES, (self.tasks, self.lifetimes, self.idle_intervals)))

    @property
    def tasks_run(self) -> int:
        """How many tasks its processes have run, recorded or only counted."""
        return self.tasks.written + max(0, self._cell(layout.SKIPPED))

    def _cell(self, place: int) -> int:
        slot = self.slot
        return int(slot.cells[slot.begin + place])

    @property
    def pid(self) -> int:
        """The process that has the slot, or had it last."""
        return self._cell(layout.LAST_PID) or NONE

    @property
    def native_id(self) -> int:
        """The kernel's number of the main thread of that process."""
        return self._cell(layout.NATIVE_ID)

    @property
    def ident(self) -> int:
        """Its main thread's identifier in that process."""
        return self._cell(layout.IDENT)

    @property
    def thread_name(self) -> str:
        """The process's name."""
        slot = self.slot
        begin = slot.begin + layout.NAME
        name = slot.cells[begin : begin + NAME_BYTES // CELL_BYTES].tobytes()
        return name.rstrip(b"\0").decode("utf-8", "replace")

    @property
    def joined_ns(self) -> int:
        """When the present process took the slot, -1 where the slot is free."""
        return self._cell(layout.JOINED) if self._cell(layout.PID) else NONE

    @property
    def started(self) -> int:
        """When its present task began, 0 outside one."""
        return self._cell(layout.STARTED)

    @property
    def open_token(self) -> Token | None:
        """The token of its present task, None outside one."""
        slot, started = self.slot, self.started
        first = slot.begin + layout.TOKEN
        cells = slot.cells[first : first + 6].tolist()
        if not started or started != self.started:
            return None
        return tuple(cells)  # type: ignore[return-value]

    @property
    def errors(self) -> Raised:
        """The exceptions that its tasks raised."""
        return counted_in(self.slot.cells, self.slot.begin + layout.RAISED)

    def weigh(self, rows: Sequence[Any]) -> None:
        """Do nothing: a worker process chooses for itself which CPU times it reads."""
