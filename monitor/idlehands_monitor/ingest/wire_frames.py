"""Checked frames back to frames of the wire, for what writes a recording anew. Pure.

Checking the result gives the checked frame again. Rows that the check had left out come back as
rows that it leaves out again, so that they are counted as before and their values are in no copy.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from idlehands.wire import STEAL_ATTEMPTS, TABLES, WireError, encode

from .rows import OLD_ATTEMPTS, TOTALS
from .schema import CheckedFrame

if TYPE_CHECKING:
    from idlehands.wire import Frame

DAMAGED = np.iinfo(np.int64).min
"""In each column of a row that the check leaves out: no column may hold it."""


def encoded(frame: CheckedFrame) -> bytes:
    """Return a frame as wire bytes, none for a kind that is the monitor's own.

    With the columns that its own version of the wire had not, a frame of rows may have become too
    long for one; then it becomes several. Raises WireError for any other frame that is too long.
    """
    wire = wire_frame(frame)
    if wire is None:
        return b""
    try:
        return encode(wire)
    except WireError:
        if frame["frame"] != "rows" or wire["rows"] < 2:
            raise
        return b"".join(map(encoded, _halves(frame, wire["rows"] // 2)))


def _halves(frame: CheckedFrame, half: int) -> tuple[CheckedFrame, CheckedFrame]:
    """Return a frame's first `half` rows, and the rest of them."""
    first_parts, second_parts, kept_before = [], [], 0
    for worker, first, rows, kept in frame["parts"]:
        before = min(half, rows)
        half -= before
        kept_before += min(before, kept)
        if before:
            first_parts.append((worker, first, before, min(before, kept)))
        if rows - before:
            rest = (rows - before, kept - min(before, kept))
            second_parts.append((worker, first + before, *rest))
    values = frame["values"]
    return (
        CheckedFrame({**frame, "parts": first_parts, "values": values[:, :kept_before]}),
        CheckedFrame({**frame, "parts": second_parts, "values": values[:, kept_before:]}),
    )


def wire_frame(frame: CheckedFrame) -> Frame | None:
    """Return the frame of the wire, None for a kind that is the monitor's own."""
    kind = frame["frame"]
    if kind == "skipped":
        return None
    if kind == "rows":
        return _rows(frame)
    if kind == "counters":
        return _counters(frame)
    if kind == "totals":
        columns = columns_of(TOTALS, frame["values"])
        return {"frame": kind, "pool": frame["pool"], "columns": columns}
    found = dict(frame)
    if kind == "names":
        found["workers"] += found.pop("left_out")
    return found


def _rows(frame: CheckedFrame) -> Frame:
    values, parts = frame["values"], frame["parts"]
    if any(rows != kept for _, _, rows, kept in parts):
        values = _with_damaged(values, [(rows, kept) for _, _, rows, kept in parts])
    names = TABLES[frame["table"]].names
    return {
        "frame": "rows",
        "pool": frame["pool"],
        "table": frame["table"],
        "parts": [[worker, first, rows] for worker, first, rows, _ in parts],
        "rows": values.shape[1],
        "columns": columns_of(names, values),
    }


def _with_damaged(values: Any, counts: list[tuple[int, int]]) -> Any:
    """Return values with as many damaged rows at the end of each part as were left out of it."""
    pieces, end = [], 0
    for rows, kept in counts:
        pieces.append(values[:, end : end + kept])
        pieces.append(np.full((len(values), rows - kept), DAMAGED, dtype=np.int64))
        end += kept
    return np.concatenate(pieces, axis=1)


def _counters(frame: CheckedFrame) -> Frame:
    start = {"frame": "counters", "pool": frame["pool"]}
    if "totals" in frame:  # of a version of the wire before 3
        return {**start, "worker": frame["thief"], **columns_of(OLD_ATTEMPTS, frame["totals"])}
    values = (frame["thief"], frame["victim"], *frame["added"])
    return {**start, "columns": columns_of(STEAL_ATTEMPTS, values)}


def columns_of(names: tuple[str, ...], values: Any) -> dict[str, bytes]:
    """Return columns by name as little-endian int64 bytes."""
    return {
        name: np.ascontiguousarray(column, dtype="<i8").tobytes()
        for name, column in zip(names, values, strict=True)
    }
