"""Which exceptions end tasks: how many tasks of a kind raised an exception of a class, by its name.

Only a task that raised pays for it. A worker counts its own tasks, so nothing locks. A thread has a
dictionary; a worker process has a few entries in its shared slot, of a fixed size. Both are
bounded: what is beyond a bound is counted under no name.

An entry of a slot is the kind, how often, and the name. Its writer stores the count last, so that a
reader of a new entry sees its name. The job may write anywhere in the memory: whatever is there,
reading it ends and raises nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from ._job_objects import attributes_of, type_name
from ._packed_rows import CELL_BYTES
from ._tables import NONE

Raised = dict[tuple[int, str], int]
"""How many tasks raised, by the number of their kind and the name of the exception's class."""

MOST_RAISED = 32
"""Kinds and names that a thread counts apart; common practice, no source."""
MOST_SENT = 64
"""Kinds and names of a pool that readers get, the most frequent ones."""
MOST_TIMES = 1 << 53
"""The largest count: readers accept no larger one."""
OTHERS = (NONE, "")

NAME_BYTES = 48
ENTRIES, ENTRY_CELLS = 8, 2 + NAME_BYTES // CELL_BYTES
RAISED_CELLS = ENTRIES * ENTRY_CELLS


def error_in(value: object) -> type[BaseException] | None:
    """Return the class of an exception, also of one that a library has wrapped to send it.

    `concurrent.futures`, `multiprocessing` and loky wrap it in an object with the attribute ``exc``
    (CPython, Lib/concurrent/futures/process.py and Lib/multiprocessing/pool.py, 3.9 to 3.15).
    """
    for one in (value, attributes_of(value).get("exc")):
        cls: Any = type(one)
        if issubclass(cls, BaseException):
            return cls  # type: ignore[no-any-return]
    return None


def count(raised: Raised, kind: int, error: type[BaseException]) -> None:
    """Count a task of a kind that raised."""
    key = kind, type_name(error)[:NAME_BYTES]
    if key not in raised and len(raised) >= MOST_RAISED:
        key = OTHERS
    raised[key] = raised.get(key, 0) + 1


def count_in(cells: Any, begin: int, kind: int, error: type[BaseException]) -> None:
    """Count the same in a slot; `begin`: where its entries begin, in cells."""
    name = type_name(error).encode("utf-8", "replace")[:NAME_BYTES].ljust(NAME_BYTES, b"\0")
    packed = memoryview(name).cast("q")
    last = begin + RAISED_CELLS - ENTRY_CELLS
    for entry in range(begin, last, ENTRY_CELLS):
        times, names = cells[entry + 1], slice(entry + 2, entry + ENTRY_CELLS)
        if times <= 0:
            cells[entry], cells[names], times = kind, packed, 0
        elif cells[entry] != kind or cells[names] != packed:
            continue
        cells[entry + 1] = min(times + 1, MOST_TIMES)
        return
    cells[last] = NONE
    cells[last + 1] = min(max(0, cells[last + 1]) + 1, MOST_TIMES)


def counted_in(cells: Any, begin: int) -> Raised:
    """Return what is counted in a slot."""
    found: Raised = {}
    if cells[begin + 1] <= 0 and cells[begin + RAISED_CELLS - ENTRY_CELLS + 1] <= 0:
        return found  # nothing was ever counted: most slots
    for entry in range(begin, begin + RAISED_CELLS, ENTRY_CELLS):
        kind, times = cells[entry : entry + 2].tolist()
        if 0 < times <= MOST_TIMES and NONE <= kind < MOST_TIMES:
            name = cells[entry + 2 : entry + ENTRY_CELLS].tobytes().rstrip(b"\0")
            key = kind, name.decode("utf-8", "replace")
            found[key] = found.get(key, 0) + times
    return found


def together(counted: Iterable[Raised]) -> list[list[Any]]:
    """Return [kind, name, how many] of all workers of a pool, the most frequent first."""
    total: Raised = {}
    for raised in counted:
        for key, times in list(raised.items()):  # its worker may be counting
            total[key] = min(total.get(key, 0) + times, MOST_TIMES)
    most = sorted(total.items(), key=lambda one: -one[1])[:MOST_SENT]
    return [[kind, name, times] for (kind, name), times in most]
