"""What the simulation behind the findings predicts for other numbers of workers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..curve import axes_of
from .facts import Curve, Picture, Section, plain
from .whatif import curve_lead, curve_table, law_sentences

if TYPE_CHECKING:
    from ...model.reading import PoolReading


def prediction(pool: PoolReading) -> Section | None:
    """Return the curve over numbers of workers; None where fewer than two could be simulated."""
    held = pool.curve
    if held is None or axes_of(held) is None:
        return None
    title = f"Predicted for {held.points[0].workers} to {held.points[-1].workers} workers"
    drawn = Curve(title, held, pool.curve_unit)
    picture = Picture(title, drawn, curve_table(held, pool.curve_unit))
    sentences = plain(*law_sentences(held))
    return Section("Over numbers of workers", curve_lead(held), (*sentences, picture))
