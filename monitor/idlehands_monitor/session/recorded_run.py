"""What is known of a recorded run without its rows, and which timestamp a bound means."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from ..ledger import Ledger
from ..model.errors import CommandError
from .description import run_clock
from .machine import MACHINE, Machine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..ledger import Mark
    from ..model.bounds import Bound
    from ..model.run_clock import RunClock
    from .replay import Replay

LISTED_MARKS = 12
BEGINNING_NS, END_NS = -1 << 60, 1 << 60
"""Before and after any timestamp."""


class Run(NamedTuple):
    """What is known of a recorded run without its rows: its clock, its marks, when it was recorded.

    begin_ns, end_ns: the first and the last block of the capture.
    """

    clock: RunClock | None
    marks: tuple[Mark, ...]
    begin_ns: int
    end_ns: int


def run_of(source: Replay, machine: Machine = MACHINE) -> Run:
    """Return what is known of the last run in a capture, none of which has been drained."""
    ledger, begin_ns, end_ns = Ledger(), source.first_ns, source.first_ns
    for at_ns, frames in source.facts():
        end_ns = max(end_ns, at_ns)
        for frame in frames:
            if ledger.begins_anew(frame):
                ledger = ledger.successor()
            ledger.apply(frame)
    return Run(run_clock(ledger, machine), tuple(ledger.marks), begin_ns, end_ns)


def timestamp_of(bound: Bound, run: Run, path: str) -> int:
    """Return the timestamp that a bound means. Raises CommandError where it means none."""
    if bound.mark:
        return _mark_of(bound.mark, run, path).at_ns
    return max(BEGINNING_NS, min(END_NS, _time_of(bound, run, path)))


def _time_of(bound: Bound, run: Run, path: str) -> int:
    clock = run.clock
    if clock is None:
        raise CommandError(f"{path}: no run was recorded, so {bound.text!r} is no time of it")
    if bound.second is not None:
        return clock.timestamp_ns(bound.second)
    first, last = clock.local(run.begin_ns), clock.local(run.end_ns)
    if first is None or last is None:
        raise CommandError(
            f"{path}: does not say at what local time it was recorded; "
            "give seconds of the run, or a mark"
        )
    days = (last.date() - first.date()).days
    every = (first.date() + timedelta(days=day) for day in range(-1, days + 2))
    found = [clock.timestamp_of(bound.on(day)) or 0 for day in every]
    return min(found, key=lambda at_ns: max(run.begin_ns - at_ns, at_ns - run.end_ns, 0))


def _mark_of(note: str, run: Run, path: str) -> Mark:
    """Return the only mark with a note, or with one that contains it."""
    wanted = note.casefold()
    for found in (
        [mark for mark in run.marks if mark.note == note],
        [mark for mark in run.marks if wanted in mark.note.casefold()],
    ):
        if len(found) == 1:
            return found[0]
        if found:
            several = _listed(found, run)
            raise CommandError(f"{path}: {note!r} is said by several marks: {several}; give a time")
    there = f"its marks: {_listed(run.marks, run)}" if run.marks else "it has no marks"
    raise CommandError(f"{path}: {note!r} is neither a time nor the note of a mark; {there}")


def _listed(marks: Sequence[Mark], run: Run) -> str:
    shown = [
        f"{mark.note!r}" + (f" at {said(run.clock, mark.at_ns)}" if run.clock else "")
        for mark in marks[:LISTED_MARKS]
    ]
    more = len(marks) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def said(clock: RunClock, timestamp_ns: int) -> str:
    """Return a timestamp as a person may give it back."""
    local = clock.local(timestamp_ns)
    of_day = f" ({local:%Y-%m-%d %H:%M:%S} {clock.zone})" if local is not None else ""
    return f"{clock.second(timestamp_ns):.1f} s of the run{of_day}"
