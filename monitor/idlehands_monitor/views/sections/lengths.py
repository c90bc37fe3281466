"""How long tasks took, and how long workers searched and were parked at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..formatting import bars, count, number_of, seconds
from .facts import Section, Sentence
from .pictures import lengths_picture

if TYPE_CHECKING:
    from ...model.lengths import LengthsReading
    from ...model.reading import PoolReading
    from .facts import Part


def lengths(pool: PoolReading) -> Section | None:
    """Return the distribution of each sort of interval; None where there was none."""
    held = pool.lengths
    sorts = (
        ("tasks", "task", held.tasks),
        ("searches", "search", held.searches),
        ("parks", "park", held.parks),
    )
    parts: list[Part] = []
    for names, name, one in sorts:
        if one is not None:
            parts.append(Sentence(_sentence(name, one)))
            if len(one.counts) > 1:
                parts.append(lengths_picture(f"How many {names} took how long", one))
    return Section("Tasks and idle intervals by length", parts=tuple(parts)) if parts else None


def _sentence(name: str, held: LengthsReading) -> str:
    text = f"{number_of(held.total, name)}: median {seconds(held.median_s)}"
    if held.total == 1:
        return text
    text += f", 99 of 100 at most {seconds(held.p99_s)}"
    if len(held.counts) == 1:
        return text
    most = max(held.counts)
    span = f"from {seconds(held.edges_s[0])} to {seconds(held.edges_s[-1])}"
    drawn = bars(held.counts, most)
    return f"{text}; {span}, five bars for each factor of ten: {drawn} up to {count(most)}"
