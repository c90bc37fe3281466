"""The ends of a window, as a person gives them: a second of the run, a local time or a mark.

`parsed` turns a text into a bound; which timestamp that is, only the run can say. Touches no clock.
`--help` imports this module, so it does without dataclasses, whose import takes 10 ms.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time
from typing import NamedTuple

UNITS = {"ms": 0.001, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "": 1.0}
SECONDS = re.compile(r"(\d{1,12}(?:\.\d+)?|\.\d+) ?(ms|s|m|min|h|)")
OF_DAY = re.compile(r"\d\d?:\d\d(:\d\d([.,]\d{1,6})?)?(Z|[+-]\d\d:\d\d)?")
WITH_DATE = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d?:\d\d\S*)")
MARK = "mark:"
"""Before the note of a mark that looks like a time."""


class Bound(NamedTuple):
    """One end of a window. text: what was typed. One of the others is set, or time with day.

    second: of the run. time: of the day, in the local zone unless it has its own. mark: its note.
    """

    text: str
    second: float | None = None
    time: time | None = None
    day: date | None = None
    mark: str = ""

    def on(self, day: date) -> datetime:
        """Return the time of a bound that has one, on its own day, or else on `day`."""
        return datetime.combine(self.day or day, self.time or time())


class Cut(NamedTuple):
    """The part of a capture that a person wants; None: from its beginning, or to its end."""

    begin: Bound | None = None
    end: Bound | None = None

    @property
    def is_whole(self) -> bool:
        """Whether that is the whole capture."""
        return self == WHOLE


WHOLE = Cut()


def parsed(text: str) -> Bound:
    """Return the bound that a text means. Raises ValueError with one line where it means none."""
    stripped = text.strip()
    if not stripped or stripped == MARK:
        raise ValueError("nothing is no time and no mark")
    if stripped.startswith(MARK):
        return Bound(text, mark=stripped.removeprefix(MARK).strip())
    if found := SECONDS.fullmatch(stripped):
        return Bound(text, second=float(found[1]) * UNITS[found[2]])
    day = None
    if found := WITH_DATE.fullmatch(stripped):
        day_text, stripped = found[1], found[2]
    elif not OF_DAY.fullmatch(stripped):
        return Bound(text, mark=stripped)
    try:
        day = date.fromisoformat(day_text) if found else None
        return Bound(text, time=time.fromisoformat(_two_digits(stripped)), day=day)
    except ValueError:
        raise ValueError(f"{text!r} is no time such as 14:03:05 or 2031-05-04 14:03:05") from None


def _two_digits(of_day: str) -> str:
    """Return a time of day with two digits of the hour."""
    return of_day if of_day[1] != ":" else f"0{of_day}"
