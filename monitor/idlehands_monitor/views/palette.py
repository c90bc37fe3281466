"""Colours and glyphs: every category and every step has both, so colour is never alone.

Categories: the palette of M. Okabe and K. Ito for colour-blind eyes (2002, as commonly published;
its black is a grey here, to show on a dark ground). Matrix: cividis (J. R. Nuñez, C. R. Anderton,
R. S. Renslow 2018, PLoS ONE 13(7):e0199239), nine of its colours. Text on a cell is black or
white, whichever contrasts more (WCAG 2.x), which is at least 4.5 : 1 on any colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..model.shares import AnyCategory
from ..model.vocabulary import Category, ExternalCategory, Verdict


@dataclass(frozen=True, slots=True)
class Style:
    """How a category of worker time, or a state, is drawn."""

    glyph: str
    colour: str


CATEGORY_STYLES: dict[AnyCategory, Style] = {
    Category.WORKING: Style("█", "#009E73"),
    Category.BLOCKED: Style("▓", "#0072B2"),
    Category.RUN_QUEUE_WAIT: Style("▒", "#CC79A7"),
    Category.DISPATCH: Style("░", "#F0E442"),
    Category.SEARCHING: Style("╱", "#56B4E9"),
    Category.WAKING: Style("▴", "#E69F00"),
    Category.STARVED: Style("╳", "#D55E00"),
    Category.NO_WORK: Style("·", "#999999"),
}

EXTERNAL_STYLES: dict[AnyCategory, Style] = {
    ExternalCategory.WORKING: CATEGORY_STYLES[Category.WORKING],
    ExternalCategory.BLOCKED: CATEGORY_STYLES[Category.BLOCKED],
    ExternalCategory.RUN_QUEUE_WAIT: CATEGORY_STYLES[Category.RUN_QUEUE_WAIT],
    ExternalCategory.PARKED: Style("─", "#E69F00"),
    ExternalCategory.OFF_CORE: Style("┄", "#999999"),
}
"""Parked is not drawn as no work: samples do not say whether there was any."""

TIME_STYLES = {**CATEGORY_STYLES, **EXTERNAL_STYLES}
VERDICT_MARKS = {Verdict.KEPT: "✓", Verdict.BROKEN: "✗", Verdict.UNKNOWN: "·"}
VERDICT_COLOURS = {Verdict.KEPT: "#009E73", Verdict.BROKEN: "#D55E00", Verdict.UNKNOWN: ""}

CIVIDIS = (
    "#00224E",
    "#1A386F",
    "#434E6C",
    "#61656F",
    "#7D7C78",
    "#9A9376",
    "#BBAD6D",
    "#DDC858",
    "#FEE838",
)

DENSITY = " .:-=+*#@"
"""One glyph for each step of the matrix, for 16 colours and for none: denser means more steals."""

BLANK = 9
"""The step of a cell without a value."""

SPARK = " ▁▂▃▄▅▆▇█"


def luminance(colour: str) -> float:
    """Return the relative luminance of #RRGGBB, 0 to 1 (WCAG 2.x)."""
    channels = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    red, green, blue = (
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.x)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def text_on(colour: str) -> str:
    """Return black or white, whichever reads better on `colour`."""
    black, white = "#000000", "#FFFFFF"
    return black if contrast(colour, black) >= contrast(colour, white) else white


def steps(values: npt.NDArray[np.float64], largest: float) -> npt.NDArray[np.uint8]:
    """Return the step of each value among values up to `largest`, as `step` does; `BLANK` for
    NaN."""
    if largest <= 0:
        found = np.zeros(values.shape)
    else:
        # A share may come out a hair above a whole eighth of the largest.
        found = np.clip(np.ceil(values * (8 / largest) - 1e-9), values > 0, 8)
    return np.asarray(np.where(np.isnan(values), BLANK, found), dtype=np.uint8)


def step(value: int, largest: int) -> int:
    """Return the step, 0 to 8, of a count among counts up to `largest`: 0 only for 0."""
    if value <= 0 or largest <= 0:
        return 0
    return max(1, min(8, -(-8 * value // largest)))
