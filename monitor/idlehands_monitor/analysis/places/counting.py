"""Counts of places with their shares. Pure.

The intervals are E. B. Wilson's score intervals at 95 % (1927, J. Amer. Statist. Assoc.
22:209-212). Their sample size is the number of dumps, not of threads: threads in one dump are not
independent, so the interval may be too wide, but not too narrow.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from ...model.places import PlaceReading, PlaceShareReading
from ..stats.summary import wilson
from .frames import place_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ...ledger import ThreadSample

MOST_PLACES = 3
"""So many places of a finding are shown."""
LEAST_SHARE = 0.1
"""A place with a smaller share is not shown."""

Place = tuple[PlaceReading | None, PlaceReading | None]
"""A place, and what it waits in or runs."""


def shares(
    found: Iterable[tuple[str, ThreadSample]], whole: int, dumps: int, *, by_line: bool
) -> tuple[PlaceShareReading, ...]:
    """Return the places of threads, each given with whose thread it is, most samples first.

    whole: the number that shares are of; dumps: the sample size of the intervals. by_line: whether
    two lines of a function are two places; if not, the more frequent one stands for both.
    """
    groups: dict[tuple[object, ...], Counter[Place]] = {}
    for who, thread in found:
        place, inside = place_of(thread.stack)
        name = (place.function, place.file, place.line if by_line else 0) if place else ()
        groups.setdefault((who, *name), Counter())[place, inside] += 1
    ordered = sorted(groups.items(), key=lambda group: -group[1].total())
    return tuple(
        _share(str(key[0]), places, whole, dumps)
        for key, places in ordered[:MOST_PLACES]
        if places.total() >= LEAST_SHARE * whole
    )


def _share(who: str, places: Counter[Place], whole: int, dumps: int) -> PlaceShareReading:
    ((place, inside), _), *_ = places.most_common(1)
    share = places.total() / whole
    low, high = wilson(share * dumps, dumps)
    return PlaceShareReading(place, inside, who, places.total(), share, low, high)
