"""The styles that all pictures of a page share: a class for each category and for each step.

A category has a pattern beside its colour, denser or of another form than its neighbours', as its
glyph has in a terminal: in print without colours, and for colour-blind eyes, nothing is lost.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.vocabulary import Category, ExternalCategory
from ..palette import CIVIDIS, TIME_STYLES, text_on

if TYPE_CHECKING:
    from ...model.shares import AnyCategory

SIDE = 8
"""Pixels of a pattern, in both directions."""
PATTERNS: dict[AnyCategory, str] = {
    Category.WORKING: "",
    Category.BLOCKED: '<path d="M0 1h8M0 5h8M1 0v8M5 0v8"/>',
    Category.RUN_QUEUE_WAIT: '<path d="M0 2h8M0 6h8"/>',
    Category.DISPATCH: '<path d="M1 2h2M5 6h2"/>',
    Category.SEARCHING: '<path d="M-2 2l4-4M0 8l8-8M6 10l4-4"/>',
    Category.WAKING: '<path d="M1 6l3-4l3 4"/>',
    Category.STARVED: '<path d="M0 0l8 8M8 0l-8 8"/>',
    Category.NO_WORK: '<path d="M3.5 4h1"/>',
    ExternalCategory.PARKED: '<path d="M0 4h8"/>',
    ExternalCategory.OFF_CORE: '<path d="M1 4h3"/>',
}
"""What is drawn over the colour, in a square of `SIDE` pixels. An external category whose name a
recorded one has, too, is drawn alike."""


PLACES = {category: place for place, category in enumerate(PATTERNS)}
SMALL_CELL = 10
"""Pixels of a cell of a large matrix, in both directions. The style sheet has them once."""


def class_of(category: AnyCategory) -> str:
    """Return the class of a category's parts, in two letters: a page has thousands of them."""
    return f"c{PLACES[category]}"


def step_class(step: int) -> str:
    """Return the class of a cell of a matrix."""
    return f"s{step}"


def definitions() -> str:
    """Return the patterns of all categories, for one place of a page."""
    drawn = "".join(
        f'<pattern id="p-{category}" width="{SIDE}" height="{SIDE}" patternUnits="userSpaceOnUse">'
        f'<rect width="{SIDE}" height="{SIDE}" fill="{TIME_STYLES[category].colour}"/>'
        f'<g stroke="#000" stroke-opacity=".55" fill="none">{lines}</g></pattern>'
        for category, lines in PATTERNS.items()
    )
    return f'<svg class="defs" aria-hidden="true" focusable="false"><defs>{drawn}</defs></svg>'


def style() -> str:
    """Return the style sheet of all pictures."""
    categories = (f".{class_of(one)} {{ fill: url(#p-{one}) }}" for one in PATTERNS)
    steps = (
        f".{step_class(step)} {{ fill: {colour} }} "
        f".{step_class(step)} + text {{ fill: {text_on(colour)} }}"
        for step, colour in enumerate(CIVIDIS)
    )
    small = f"svg.small rect {{ width: {SMALL_CELL}px; height: {SMALL_CELL}px }}"
    return "\n".join((STYLE, small, *categories, *steps))


STYLE = """
svg text { font: 11px system-ui, sans-serif; fill: currentColor }
svg.defs { position: absolute; width: 0; height: 0 }
svg.bar, svg.course, svg.lane, svg.columns, svg.axis { display: block; width: 100% }
svg.bar { height: 1.75rem } td svg.bar { height: 1rem; width: 9rem }
svg.course { height: 9rem } svg.columns { height: 7rem } svg.axis { height: 1.2rem }
svg.bar, svg.course { outline: 1px solid #8888 }
svg.bar rect { height: 100% } svg.course svg rect { width: 100% }
svg.columns { border-bottom: 1px solid } .value { fill: #0072B2 } .value:hover { opacity: .7 }
svg.lane { height: 1.1rem; background: #8881 } svg.axis { overflow: visible }
.lanes { display: grid; grid-template-columns: max-content 1fr; gap: 1px .5rem }
.lanes > span { font-size: .75rem; text-align: right; line-height: 1.1rem }
svg.matrix { display: block; shape-rendering: crispEdges } svg.matrix text { font-size: 10px }
svg.matrix rect + text { pointer-events: none }
@media screen and (prefers-color-scheme: dark) { .value { fill: #56B4E9 } }
"""
