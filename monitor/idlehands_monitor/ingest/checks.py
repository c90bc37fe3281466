"""Checks of single values of a frame: each value must have its type and be within its limit.

Pure. A check takes a value of the wire and returns it in the form for the ledger, or raises
`Refused`.
"""

from __future__ import annotations

from array import array
from itertools import chain, islice
from math import isfinite
from typing import Any, Callable

from idlehands.wire import NONE, TABLES

from . import limits

Check = Callable[[Any], Any]
"""Takes a value of the wire, returns it in the form for the ledger. Raises Refused."""


class Refused(ValueError):
    """A frame is not within the limits; the message says why, and quotes nothing of the frame."""


def integer(low: int, high: int) -> Check:
    """Return a check for an integer from `low` to `high`."""

    def check(value: Any) -> int:
        if type(value) is not int:
            raise Refused("not an integer")
        if not low <= value <= high:
            raise Refused("out of range")
        return value

    return check


def text(value: Any) -> str:
    """Return a string, cut at the limit. Raises Refused for another type."""
    if type(value) is not str:
        raise Refused("not a string")
    return value[: limits.TEXT_LETTERS]


def note(value: Any) -> str:
    """Return the note of a mark, cut at its limit. Raises Refused for another type."""
    return text(value)[: limits.NOTE_LETTERS]


def flag(value: Any) -> bool:
    """Return a boolean. Raises Refused for another type."""
    if type(value) is not bool:
        raise Refused("neither true nor false")
    return value


def cores(value: Any) -> float:
    """Return a number of cores. Raises Refused for anything that is not one."""
    if type(value) not in (int, float) or not isfinite(value):
        raise Refused("not a number")
    if not NONE <= value <= limits.CORES:
        raise Refused("out of range")
    return float(value)


def listed(check: Check, most: int) -> Check:
    """Return a check for a list of at most `most` values, each of which passes `check`."""

    def check_list(value: Any) -> list[Any]:
        return [check(one) for one in sequence(value, most)]

    return check_list


def integers(low: int, high: int, most: int) -> Check:
    """Return a check equal to `listed(integer(low, high), most)`, but fast for long lists."""

    def check(value: Any) -> list[int]:
        try:
            numbers = array("q", sequence(value, most))
        except (TypeError, OverflowError):
            raise Refused("not 64-bit integers") from None
        if numbers and (min(numbers) < low or max(numbers) > high):
            raise Refused("out of range")
        return numbers.tolist()

    return check


def sequence(value: Any, most: int) -> list[Any]:
    """Return a list of at most `most` values. Raises Refused for anything else."""
    if type(value) is not list:
        raise Refused("not a list")
    if len(value) > most:
        raise Refused("too long")
    return value


def pairs(key: Check, entry: Check, most: int) -> Check:
    """Return a check for a map of at most `most` entries."""

    def check(value: Any) -> dict[Any, Any]:
        if type(value) is not dict:
            raise Refused("not a map")
        if len(value) > most:
            raise Refused("too long")
        return {key(one): entry(other) for one, other in value.items()}

    return check


def counters(number: int) -> Check:
    """Return a check for `number` counters of one thread, -1 where unknown."""
    numbers = integers(NONE, limits.TIMESTAMP_NS, number)

    def check(value: Any) -> tuple[int, ...]:
        found = tuple(numbers(value))
        if len(found) != number:
            raise Refused("too short")
        return found

    return check


COUNT = integer(0, limits.NUMBER)
COUNT_OR_NONE = integer(NONE, limits.NUMBER)
TIMESTAMP = integer(NONE, limits.TIMESTAMP_NS)
PROCESS = integer(NONE, limits.PROCESS_ID)
THREAD = integer(NONE, limits.THREAD_ID)
KERNEL_THREAD = integer(0, limits.PROCESS_ID)
POOL = integer(NONE, limits.PROCESS_ID)
EXIT_STATUS = integer(-limits.PROCESS_ID, limits.PROCESS_ID)
WORKER = integer(NONE, limits.LISTED_WORKERS)
TABLE_NAMES = frozenset(TABLES)


def worker_thread(value: Any) -> tuple[int, int, int, str, int]:
    """Return (worker, native id, identifier, name, process) of a worker."""
    row = sequence(value, 16)
    if len(row) < 4:
        raise Refused("too short")
    process = PROCESS(row[4]) if len(row) > 4 else NONE
    return WORKER(row[0]), THREAD(row[1]), THREAD(row[2]), text(row[3]), process


def dead_process(value: Any) -> tuple[int, int]:
    """Return (process id, exit status or negative signal)."""
    pid, status = two_of(value)
    return PROCESS(pid), EXIT_STATUS(status)


def raised(value: Any) -> tuple[int, str, int]:
    """Return (number of a kind, name of an exception's class, tasks that raised it)."""
    row = sequence(value, 3)
    if len(row) != 3:
        raise Refused("too short")
    return COUNT_OR_NONE(row[0]), text(row[1]), COUNT(row[2])


def step(value: Any) -> tuple[int, int]:
    """Return (timestamp, step of detail)."""
    at_ns, number = two_of(value)
    return TIMESTAMP(at_ns), integer(0, 100)(number)


def two_of(value: Any) -> list[Any]:
    """Return a list of two. Raises Refused for anything else."""
    found = sequence(value, 2)
    if len(found) != 2:
        raise Refused("too short")
    return found


OPEN_LENGTHS = {0: 9, 1: 3, 2: 3, 3: 2}
"""Length of an open interval's row by its first number: task, wait, idle interval, lifetime."""
MOST_NUMBERS = 16
OPEN_NUMBERS = integers(NONE - 2, limits.TIMESTAMP_NS, MOST_NUMBERS * limits.OPEN_INTERVALS)


def open_workers(value: Any) -> list[list[list[int]]]:
    """Return the open intervals of each worker, without those of unknown sorts."""
    most = limits.OPEN_INTERVALS
    workers = [sequence(worker, most) for worker in sequence(value, limits.LISTED_WORKERS)]
    rows = sequence(list(chain.from_iterable(workers)), most)
    lengths = [len(sequence(row, MOST_NUMBERS)) for row in rows]
    numbers = iter(OPEN_NUMBERS(list(chain.from_iterable(rows))))  # one check for many numbers
    checked = [list(islice(numbers, length)) for length in lengths]
    if any(row and len(row) < OPEN_LENGTHS.get(row[0], 0) for row in checked):
        raise Refused("too short")
    intervals = iter(checked)
    return [
        [row for row in islice(intervals, len(worker)) if row and row[0] in OPEN_LENGTHS]
        for worker in workers
    ]


def stack_frame(value: Any) -> tuple[str, str, int]:
    """Return (function, file, line)."""
    row = sequence(value, 3)
    if len(row) != 3:
        raise Refused("too short")
    return text_end(row[0]), text_end(row[1]), COUNT_OR_NONE(row[2])


def text_end(value: Any) -> str:
    """Return a string; of a long one its end, which distinguishes paths and qualified names."""
    if type(value) is not str:
        raise Refused("not a string")
    return value[-limits.TEXT_LETTERS :]
