"""Values side by side as SVG: over time, or by class."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .axis import axis_svg
from .marked import marked, number

if TYPE_CHECKING:
    from ..sections.facts import Columns

TOP = 0.12
"""Share of the height that is left above the largest value, for its text."""
LEAST_HEIGHT = 0.01
"""A value above 0 is seen, however small."""


def columns_svg(columns: Columns, name: str) -> str:
    """Return a column for each value, each with its label for who points at it."""
    width = 100 / len(columns.values)
    most = max((value for value in columns.values if value is not None), default=0.0) or 1.0
    drawn = []
    for place, (value, label) in enumerate(zip(columns.values, columns.labels, strict=True)):
        if value:
            height = max(LEAST_HEIGHT, value / most * (1 - TOP))
            drawn.append(
                f'<rect class="value" x="{number(place * width + 0.05 * width)}%" '
                f'width="{number(0.9 * width)}%" y="{number(100 * (1 - height))}%" '
                f'height="{number(100 * height)}%"><title>{marked(label)}</title></rect>'
            )
    return (
        f'<svg class="columns" role="img" aria-label="{marked(name)}">'
        f'<text x="0" y="10">up to {marked(columns.most)}</text>{"".join(drawn)}</svg>'
        f"{axis_svg(columns.marks)}"
    )
