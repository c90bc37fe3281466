"""How moments are written: in the local time with its zone, and in seconds of the run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .foreign_text import bounded

if TYPE_CHECKING:
    from datetime import datetime

    from ..model.reading import Reading
    from ..model.run_clock import RunClock

SHORT_S = 2.0
"""A shorter window is written with milliseconds."""
ZONE_LETTERS = 12


def second(clock: RunClock, timestamp_ns: int, digits: int = 1) -> str:
    """Write a second of the run: 65.2 s."""
    return f"{clock.second(timestamp_ns):.{digits}f} s"


def local_time(clock: RunClock, timestamp_ns: int, digits: int = 0) -> str:
    """Write the time of day with its zone, "" where the wall clock is not known: 19:13:02 UTC."""
    local = clock.local(timestamp_ns)
    return "" if local is None else f"{_of_day(local, digits)} {zone_text(clock)}"


def both(clock: RunClock, timestamp_ns: int) -> str:
    """Write a moment as a second of the run, with the local time where it is known."""
    local = local_time(clock, timestamp_ns)
    return second(clock, timestamp_ns) + (f" ({local})" if local else "")


def zone_text(clock: RunClock) -> str:
    """Write the zone of the local time: UTC, or CET (UTC+01:00)."""
    if clock.zone in ("UTC", "GMT"):
        return clock.zone
    minutes = clock.utc_offset_s // 60
    offset = f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"
    return f"{bounded(clock.zone, ZONE_LETTERS)} ({offset})" if clock.zone else offset


def window_sentence(clock: RunClock | None, window_ns: tuple[int, int] | None) -> str:
    """Return from when to when a report is, "" where there is no window."""
    if clock is None or window_ns is None:
        return ""
    begin_ns, end_ns = window_ns
    digits = 3 if (end_ns - begin_ns) / 1e9 < SHORT_S else 1
    run = f"{clock.second(begin_ns):.{digits}f} s to {clock.second(end_ns):.{digits}f} s of the run"
    begin, end = clock.local(begin_ns), clock.local(end_ns)
    if begin is None or end is None:
        return f"Window: {run}; the local time is not known."
    more = 3 if digits == 3 else 0
    until = _of_day(end, more) if begin.date() == end.date() else _whole(end, more)
    return f"Window: {_whole(begin, more)} to {until} {zone_text(clock)}, {run}."


def window_phrase(clock: RunClock | None, window_ns: tuple[int, int] | None) -> str:
    """Return the same shortly, for a screen: 19:13:02–19:13:12 UTC · 65.2–75.2 s of the run."""
    if clock is None or window_ns is None:
        return ""
    begin_ns, end_ns = window_ns
    run = f"{clock.second(begin_ns):.1f}–{clock.second(end_ns):.1f} s of the run"
    begin, end = clock.local(begin_ns), clock.local(end_ns)
    if begin is None or end is None:
        return run
    return f"{_of_day(begin, 0)}–{_of_day(end, 0)} {zone_text(clock)} · {run}"


def document(reading: Reading) -> dict[str, Any]:
    """Return the window and the marks of a reading as they are in its JSON document."""
    return {
        "window": window_document(reading.source.clock, reading.window_ns),
        "marks": [
            {"note": mark.note, **_moment("at", reading.source.clock, mark.at_ns)}
            for mark in reading.marks
        ],
    }


def clock_document(clock: RunClock | None) -> dict[str, Any] | None:
    """Return when the run began, and the zone of the local times."""
    if clock is None:
        return None
    began = clock.local(clock.zero_ns)
    return {
        "run_began": began.isoformat(timespec="milliseconds") if began is not None else None,
        "zone": clock.zone,
        "utc_offset_s": clock.utc_offset_s,
    }


def window_document(
    clock: RunClock | None, window_ns: tuple[int, int] | None
) -> dict[str, Any] | None:
    """Return when a window begins and ends, None where there is none."""
    if window_ns is None:
        return None
    begin_ns, end_ns = window_ns
    return {**_moment("begin", clock, begin_ns), **_moment("end", clock, end_ns)}


def _moment(name: str, clock: RunClock | None, timestamp_ns: int) -> dict[str, Any]:
    """Return a moment in seconds of the run and in local time (ISO 8601), null where not known."""
    local = clock.local(timestamp_ns) if clock is not None else None
    return {
        f"{name}_s": clock.second(timestamp_ns) if clock is not None else None,
        name: local.isoformat(timespec="milliseconds") if local is not None else None,
    }


def _of_day(local: datetime, digits: int) -> str:
    return local.strftime("%H:%M:%S") + (f".{local.microsecond // 1000:03}" if digits else "")


def _whole(local: datetime, digits: int) -> str:
    return f"{local:%Y-%m-%d} {_of_day(local, digits)}"
