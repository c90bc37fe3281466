"""Turns a frame of the wire into a frame for the ledger, and into a count of what was left out.

Pure. The checks themselves are in `schema`, `rows` and `checks`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from idlehands.wire import TABLES

from . import limits
from .checks import TABLE_NAMES, Refused
from .rows import checked_counters, checked_rows, checked_totals
from .schema import FRAMES, CheckedFrame, checked

if TYPE_CHECKING:
    from idlehands.wire import Frame

PAST_FIRST = f"past the first {limits.WORKERS:,} of a pool"
OUT_OF_RANGE = "a value is out of range, or a row ends before it begins"


def skipped(what: str, why: str, count: int = 1) -> CheckedFrame:
    """Return a ``skipped`` frame, the monitor's own kind: what was left out, why and how many."""
    return CheckedFrame({"frame": "skipped", "what": what, "why": why, "count": count})


def checked_frames(frame: Frame) -> tuple[CheckedFrame, ...]:
    """Return a frame for the ledger, and a ``skipped`` frame where some of it was left out.

    Returns nothing for an unknown kind or table: a later version of the probe has it.
    """
    kind = frame["frame"]
    try:
        if kind == "rows":
            return _rows(frame)
        if kind == "counters":
            return (checked_counters(frame),)
        if kind == "totals":
            return (checked_totals(frame),)
        if kind not in FRAMES:
            return ()
        found = checked(frame, kind)
    except Refused as error:
        return (skipped(f"frames of {kind}", str(error)),)
    if kind == "names":
        return _names(found)
    if kind == "levels":
        found["deques"] = found["deques"][: limits.WORKERS]
        found["workers"] = found["workers"][: limits.WORKERS]
    elif kind == "lost" and (
        found["table"] not in TABLE_NAMES or found["worker"] >= limits.WORKERS
    ):
        return ()
    return (found,)


def _rows(frame: Frame) -> tuple[CheckedFrame, ...]:
    table = frame.get("table")
    if type(table) is str and table not in TABLES:
        return ()
    if type(table) is not str:
        raise Refused("table: not a string")
    found, past_first, left_out = checked_rows(frame)
    frames = [found]
    for why, count in ((f"of workers {PAST_FIRST}", past_first), (OUT_OF_RANGE, left_out)):
        if count:
            frames.append(skipped(f"rows of {table}", why, count))
    return tuple(frames)


def _names(found: CheckedFrame) -> tuple[CheckedFrame, ...]:
    """Return a ``names`` frame with only the first workers of its pool."""
    found["left_out"] = max(0, found["workers"] - limits.WORKERS)
    found["workers"] -= found["left_out"]
    found["threads"] = [row for row in found["threads"] if 0 <= row[0] < limits.WORKERS]
    if found["workers"] or found["shared_queue"]:
        return (found,)
    return (skipped("frames of names", "workers: out of range"),)
