"""How a pool used its deques, as lines of plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..analysis.deque_readings import EndReading
    from ..analysis.readings import PoolReading

VERDICTS = {"kept": "kept", "broken": "BROKEN", "unknown": "too little to tell"}


def deque_lines(pool: PoolReading) -> list[str]:
    """Return what is known of the ends that tasks were taken from."""
    ends = pool.ends
    if ends is None:
        return []
    lines = [
        _end("owners take the newest", ends.owners_newest, ends.own),
        _end("thieves take the oldest", ends.thieves_oldest, ends.stolen),
    ]
    if ends.unplaced:
        lines.append(f"  {ends.unplaced} tasks were moved between deques and are not judged")
    return lines


def _end(promise: str, verdict: str, end: EndReading) -> str:
    away = f", median {end.rank:.0f} places from it" if end.at_end < end.with_choice else ""
    ambiguous = f"; {end.ambiguous} of {end.takes} too close to others to tell"
    return (
        f"  Promise: {promise}: {VERDICTS[verdict]}, {end.at_end} of {end.with_choice} takes with "
        f"a choice{away}{ambiguous if end.ambiguous else ''}"
    )
