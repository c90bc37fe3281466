"""Turns the bytes of rows and counters into arrays, with every value within its range. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from idlehands.wire import IDLE_STATES, NONE, OUTCOMES, STEAL_ATTEMPTS, TABLES

from ..model.arrays import Int64
from . import limits
from .checks import COUNT, POOL, WORKER, Refused, sequence
from .schema import CheckedFrame

if TYPE_CHECKING:
    from idlehands.wire import Frame, Table

NUMBER_BYTES = 8
OLD_ATTEMPTS = STEAL_ATTEMPTS[2:]
"""Before version 3 of the wire a frame held the totals of these three for one thief."""

TOTALS = (
    *("begin_ns", "length_ns", *OUTCOMES, "handed_in", "tasks_ns", "waits_ns"),
    *(f"{state}_ns" for state in IDLE_STATES),
)
"""The columns of a ``totals`` frame, a row for each second of a pool: when it begins and how long
it is, how many tasks ended in it by outcome, how many were handed in, and the time of the workers
in tasks, in waits, and in idle intervals by state."""

_NUMBER_OR_NONE = (NONE, limits.NUMBER)
_TIMESTAMP = (NONE, limits.TIMESTAMP_NS)
_WORKER = (NONE, limits.WORKERS - 1)
_ANY = (-(2**63), 2**63 - 1)
RANGES = {
    "task": _NUMBER_OR_NONE,
    "parent": _NUMBER_OR_NONE,
    "kind": (NONE, limits.PROCESS_ID),
    "spawned_by": _WORKER,
    "size": _ANY,
    "taken_from": (-3, limits.WORKERS - 1),
    "cpu_ns": (NONE, limits.DURATION_NS),
    "outcome": (NONE, 4),
    "on_task": _NUMBER_OR_NONE,
    "helped": _NUMBER_OR_NONE,
    "state": (NONE, 2),
    "attempts": _NUMBER_OR_NONE,
    "woken_by": _WORKER,
    "pid": (NONE, limits.PROCESS_ID),
    "native_id": _ANY,
    "how": (NONE, 1),
    "owner": _WORKER,
    "length": _NUMBER_OR_NONE,
    "waited_ns": (NONE, limits.DURATION_NS),
}
"""The least and the largest value of each column that holds no timestamps."""


BEGINNINGS = ("started_ns", "began_ns")
"""Columns that are never later than ``ended_ns``."""


class _Bounds(NamedTuple):
    low: Int64
    high: Int64
    began: int
    ended: int


def _bounds(table: Table) -> _Bounds:
    """Return the ranges of a table's columns, and the places of begin and end, equal if none."""
    names = table.names
    low, high = np.array([RANGES.get(name, _TIMESTAMP) for name in names], dtype=np.int64).T
    began = next((names.index(name) for name in BEGINNINGS if name in names), 0)
    return _Bounds(low, high, began, names.index("ended_ns") if began or "began_ns" in names else 0)


BOUNDS = {name: _bounds(table) for name, table in TABLES.items()}


def checked_rows(frame: Frame) -> tuple[CheckedFrame, int, int]:
    """Return (frame, left out, left out) for a ``rows`` frame of a known table. Raises Refused.

    The two numbers are the rows left out because their worker is past `limits.WORKERS`, and because
    a value is out of range. Keys of the frame: pool, table, parts [(worker, first, rows, rows
    kept)] and values, shape (columns, rows kept), part after part.
    """
    table = TABLES[frame["table"]]
    parts = _parts(frame)
    rows = sum(part[2] for part in parts)
    if "words" in frame:
        values = _of_packed_rows(frame, len(table.columns), rows)
    else:
        values = _of_columns(frame.get("columns"), table, rows)
    values, keeps = _within(values, parts, table.name)
    found = CheckedFrame(
        {
            "frame": "rows",
            "pool": POOL(frame.get("pool")),
            "table": table.name,
            "parts": [(*part, kept) for part, kept in zip(parts, keeps, strict=True)],
            "values": values,
        }
    )
    past_first = sum(rows for worker, _, rows in parts if worker >= limits.WORKERS)
    return found, past_first, rows - past_first - values.shape[1]


def _within(
    values: Int64, parts: list[tuple[int, int, int]], table: str
) -> tuple[Int64, list[int]]:
    """Return the rows whose values are within range, and how many of each part these are."""
    keeps = [rows for _, _, rows in parts]
    if not values.size:
        return values, keeps
    low, high, began, ended = BOUNDS[table]
    ordered = values[began] <= values[ended]
    known = all(worker < limits.WORKERS for worker, _, _ in parts) and ordered.all()
    if known and (values.min(axis=1) >= low).all() and (values.max(axis=1) <= high).all():
        return values, keeps
    good = ordered & ((values >= low[:, None]) & (values <= high[:, None])).all(axis=0)
    good &= np.repeat([worker < limits.WORKERS for worker, _, _ in parts], keeps)
    kept = [int(some.sum()) for some in np.split(good, np.cumsum(keeps)[:-1])]
    return values[:, good], kept


def _parts(frame: Frame) -> list[tuple[int, int, int]]:
    """Return (worker, first, rows) of each ring. Before version 3 a frame held one ring."""
    if "parts" in frame:
        found = sequence(frame["parts"], 4 * limits.LISTED_WORKERS)
    else:
        found = [[frame.get(name) for name in ("worker", "first", "rows")]]
    parts = []
    for part in found:
        if type(part) is not list or len(part) != 3:
            raise Refused("parts: not lists of three")
        parts.append((WORKER(part[0]), COUNT(part[1]), COUNT(part[2])))
    return parts


def _of_packed_rows(frame: Frame, columns: int, rows: int) -> Int64:
    """Return values that were sent row by row, without columns that are not known here."""
    packed, skip = _numbers(frame["words"]), COUNT(frame.get("skip"))
    if not rows:
        return np.zeros((columns, 0), dtype=np.int64)
    if len(packed) % rows or len(packed) // rows < skip + 1:
        raise Refused("words: do not fit the number of rows")
    return _filled(packed.reshape(rows, -1)[:, skip : skip + columns].T, columns)


def _of_columns(found: Any, table: Table, rows: int) -> Int64:
    """Return values that were sent column by column, -1 for columns that were not sent."""
    if type(found) is not dict:
        raise Refused("columns: not a map")
    known = [found[name] for name in table.names if name in found]
    if not known or any(type(one) is not bytes or len(one) != NUMBER_BYTES * rows for one in known):
        raise Refused("columns: do not fit the number of rows")
    missing = b"\xff" * (NUMBER_BYTES * rows)  # -1 in every row; the length check above bounds it
    columns = [found.get(name, missing) for name in table.names]
    return np.frombuffer(b"".join(columns), dtype="<i8").reshape(len(columns), rows)


def _filled(values: Int64, columns: int) -> Int64:
    if len(values) == columns:
        return values
    more = np.full((columns - len(values), values.shape[1]), NONE, dtype=np.int64)
    return np.concatenate([values, more])


def _numbers(found: Any) -> Int64:
    if type(found) is not bytes or len(found) % NUMBER_BYTES:
        raise Refused("not 64-bit integers")
    return np.frombuffer(found, dtype="<i8")


def checked_counters(frame: Frame) -> CheckedFrame:
    """Return a ``counters`` frame: thief, victim and added, shape (3, pairs); before version 3:
    thief (one number) and totals, shape (3, victims). Raises Refused."""
    pool = POOL(frame.get("pool"))
    if "columns" not in frame:
        totals = _attempts(frame, OLD_ATTEMPTS)
        thief = WORKER(frame.get("worker"))
        return CheckedFrame({"frame": "counters", "pool": pool, "thief": thief, "totals": totals})
    columns = frame["columns"]
    if type(columns) is not dict:
        raise Refused("columns: not a map")
    thief, victim, *added = _attempts(columns, STEAL_ATTEMPTS)
    return CheckedFrame(
        {"frame": "counters", "pool": pool, "thief": thief, "victim": victim, "added": added}
    )


def checked_totals(frame: Frame) -> CheckedFrame:
    """Return a ``totals`` frame: pool and values, shape (columns of `TOTALS`, seconds).

    Raises Refused.
    """
    columns = frame.get("columns")
    if type(columns) is not dict:
        raise Refused("columns: not a map")
    found = [_numbers(columns.get(name)) for name in TOTALS]
    if len({len(column) for column in found}) != 1:
        raise Refused("columns: differ in length")
    values = np.stack(found)
    if values.size and (values.min() < 0 or values.max() > limits.TIMESTAMP_NS):
        raise Refused("columns: out of range")
    return CheckedFrame({"frame": "totals", "pool": POOL(frame.get("pool")), "values": values})


def _attempts(found: dict[str, Any], names: tuple[str, ...]) -> Int64:
    columns = [_numbers(found.get(name)) for name in names]
    if len({len(column) for column in columns}) != 1:
        raise Refused("columns: differ in length")
    values = np.stack(columns)
    if values.size and (values.min() < 0 or values.max() > limits.NUMBER):
        raise Refused("columns: out of range")
    return values
