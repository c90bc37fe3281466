"""Where in the code the workers of a finding wait, and who holds what they wait for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.vocabulary import FindingCode
from ..foreign_text import bounded
from ..formatting import number_of, seconds, shortened

if TYPE_CHECKING:
    from ...model.findings import Finding
    from ...model.places import PlaceReading, PlaceShareReading, PlacesReading

NAME_LETTERS = WHO_LETTERS = 60
NO_FRAME = "no Python frame"


def places_lines(finding: Finding) -> list[str]:
    """Return a line for each place and each holder of the lock, and one on the dumps behind them;
    none where no stacks were taken."""
    places = finding.places
    if places is None:
        return []
    if places.missing:
        return [f"Where: not known, {bounded(places.missing, 400)}"]
    waiting = number_of(places.samples, "sample")
    holding = number_of(places.dumps, "dump")
    lines = [f"Where: {_place(one)}, in {_amount(one)} of {waiting}" for one in places.waiting]
    lines += [f"Held by: {_place(one)}, in {_amount(one)} of {holding}" for one in places.holding]
    if places.unknown_holder:
        lines.append(f"Held by: not known, {places.unknown_holder}")
    when = "wait for work" if finding.code is FindingCode.SLOW_SUBMITTER else "wait in tasks"
    return [*lines, f"{_behind(places)}, taken while workers {when}"]


def place_phrase(finding: Finding) -> str:
    """Return the most frequent place, and where the lock is mostly held, as one short sentence; ""
    where they are not known."""
    places = finding.places
    if places is None or not places.waiting:
        return ""
    phrase = f"Mostly at {_at(places.waiting[0])}"
    if finding.code is FindingCode.SLOW_SUBMITTER:
        who = bounded(places.waiting[0].who, WHO_LETTERS)
        return f"Meanwhile {who} is mostly at {_at(places.waiting[0])}."
    if places.holding:
        holder = places.holding[0]
        who = "" if holder.who.startswith("a worker") else f" by {bounded(holder.who, WHO_LETTERS)}"
        phrase += f", held{who} at {_at(holder)}"
    return f"{phrase}."


def _at(one: PlaceShareReading) -> str:
    return place_text(one.place) if one.place is not None else NO_FRAME


def _place(one: PlaceShareReading) -> str:
    inside = f" in {place_text(one.inside)}" if one.inside is not None else ""
    return f"{bounded(one.who, WHO_LETTERS)} at {_at(one)}{inside}"


def _amount(one: PlaceShareReading) -> str:
    share, low, high = (round(100 * value) for value in (one.share, one.low, one.high))
    return f"{share} % ({low} to {high})"


def _behind(places: PlacesReading) -> str:
    spacing = f", one in {seconds(places.spacing_s)}" if places.spacing_s else ""
    return f"Stacks: {number_of(places.dumps, 'dump')}{spacing}"


def place_text(place: PlaceReading) -> str:
    """Return one frame: function (file:line), without the folders."""
    file = shortened(bounded(place.file.rpartition("/")[2]), NAME_LETTERS)
    where = f" ({file}:{place.line})" if file else ""
    return f"{shortened(bounded(place.function), NAME_LETTERS)}{where}"
