"""The places of a capture that are worth going to, as one list in the order of time. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from ..model.run_clock import RunClock
    from .seek import Landmarks

MARKS = "marks"
"""The code of all marks together; promises and findings have their own."""


@dataclass(frozen=True, slots=True)
class Place:
    """One place to go to.

    kind: mark, finding or broken promise. pool: its number, -1 for a mark. code: of all places that
    `Jumps.go` goes through from here. until_ns: the end of a finding, or the last time at which a
    promise was broken; -1 where there is none. times: how often a promise was broken, as far as the
    readings name it.
    """

    at_ns: int
    kind: str
    pool: int
    code: str
    what: str
    until_ns: int = -1
    times: int = 1


class Places(NamedTuple):
    """The places of a capture, in the order of time, and when they were for a person."""

    every: tuple[Place, ...] = ()
    clock: RunClock | None = None


NOWHERE = Places()


def places_of(found: Landmarks) -> tuple[Place, ...]:
    """Return all places: each mark, each stretch with a finding, each promise that was broken."""
    marks = (Place(mark.at_ns, "mark", -1, MARKS, mark.note) for mark in found.marks)
    findings = (
        Place(one.at_ns, "finding", one.pool, one.code, one.sentence, one.end_ns)
        for one in found.findings
    )
    broken = (
        Place(
            timestamps[0],
            "broken promise",
            pool,
            code,
            found.what.get(code, code),
            timestamps[-1],
            len(timestamps),
        )
        for (pool, code), timestamps in found.broken.items()
        if timestamps
    )
    return tuple(sorted((*marks, *findings, *broken), key=lambda place: place.at_ns))


def name_of(found: Landmarks, pool: int, code: str, place: int) -> str:
    """Return what is at one of the timestamps that `series_of` returns."""
    of = f"{place + 1} of {len(series_of(found, pool, code))}"
    if code == MARKS:
        return f"mark {of}: {found.marks[place].note}"
    if found.broken.get((pool, code)):
        return f"broken moment {of}: {found.what.get(code, code)}"
    return f"finding {code}, {of}"


def series_of(found: Landmarks, pool: int, code: str) -> tuple[int, ...]:
    """Return the timestamps of one promise, one finding, or of all marks."""
    if code == MARKS:
        return tuple(mark.at_ns for mark in found.marks)
    if broken := found.broken.get((pool, code), ()):
        return broken
    return tuple(one.at_ns for one in found.findings if (one.pool, one.code) == (pool, code))
