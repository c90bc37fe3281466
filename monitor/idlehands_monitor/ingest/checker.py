"""From a frame of the wire to what the ledger may have of it, and to what was left out of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from idlehands.wire import TABLES

from . import limits
from .checks import TABLE_NAMES, Refused
from .rows import checked_counters, checked_rows
from .schema import FRAMES, CheckedFrame, checked

if TYPE_CHECKING:
    from idlehands.wire import Frame

PAST_FIRST = f"past the first {limits.WORKERS:,} of a pool"
OUT_OF_RANGE = "a value is out of range, or they end before they begin"


def skipped(what: str, why: str, count: int = 1) -> CheckedFrame:
    """Return the frame by which a stream says what was left out of it: the monitor's own kind."""
    return CheckedFrame({"frame": "skipped", "what": what, "why": why, "count": count})


def checked_frames(frame: Frame) -> tuple[CheckedFrame, ...]:
    """Return a frame as the ledger takes it, and a ``skipped`` one for what was left out of it.

    Nothing for a kind or a table that is not known: a later version has it.
    """
    kind = frame["frame"]
    try:
        if kind == "rows":
            return _rows(frame)
        if kind == "counters":
            return (checked_counters(frame),)
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
        raise Refused("table: not a text")
    found, past_first, left_out = checked_rows(frame)
    frames = [found]
    for why, count in ((f"of workers {PAST_FIRST}", past_first), (OUT_OF_RANGE, left_out)):
        if count:
            frames.append(skipped(f"rows of {table}", why, count))
    return tuple(frames)


def _names(found: CheckedFrame) -> tuple[CheckedFrame, ...]:
    """Return names with the first workers of a pool only."""
    found["left_out"] = max(0, found["workers"] - limits.WORKERS)
    found["workers"] -= found["left_out"]
    found["threads"] = [row for row in found["threads"] if 0 <= row[0] < limits.WORKERS]
    if found["workers"] or found["shared_queue"]:
        return (found,)
    return (skipped("frames of names", "workers: out of range"),)
