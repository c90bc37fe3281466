"""The horizontal axis below a picture. Its letters keep their size on any screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .marked import marked, number

if TYPE_CHECKING:
    from ..sections.facts import Mark

EDGE = 0.02
"""So near an end a text stands beside its mark and not around it."""
NEAREST = 0.09
"""Marks that are nearer to each other than this share of the width lose every second text."""


def axis_svg(marks: tuple[Mark, ...]) -> str:
    """Return the marks with their texts; a screen reader has them in the table."""
    places = [mark.place for mark in marks]
    gaps = [after - before for before, after in zip(places, places[1:], strict=False)]
    step = max(1, round(NEAREST / min(gaps) + 0.49)) if gaps and min(gaps) > 0 else 1
    texts = "".join(_mark(marks[place]) for place in range(0, len(marks), step))
    return f'<svg class="axis" aria-hidden="true">{texts}</svg>'


def _mark(mark: Mark) -> str:
    anchor = "start" if mark.place < EDGE else "end" if mark.place > 1 - EDGE else "middle"
    x = number(100 * mark.place)
    return (
        f'<line x1="{x}%" x2="{x}%" y2="4" stroke="currentColor"/>'
        f'<text x="{x}%" y="16" text-anchor="{anchor}">{marked(mark.text)}</text>'
    )
