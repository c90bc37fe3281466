"""From runs of text to Textual strips, with every style made once."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.filter import LineFilter
from textual.strip import Strip

from ..foreign_text import safe_line
from ..palette import CIVIDIS, TIME_STYLES, text_on
from .drawing import category_cells

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ...model.shares import SharesOfTime

Run = tuple[str, Style | None]
ONE_CELL = re.compile("[ -~\u2500-\u259f]*").fullmatch
"""Matches texts of ASCII, lines and blocks: each of their letters takes one cell."""


@lru_cache(maxsize=1024)
def style(
    colour: str | None = None,
    ground: str | None = None,
    *,
    bold: bool = False,
    dim: bool = False,
    reverse: bool = False,
) -> Style:
    """Return a style, always the same object for the same arguments."""
    return Style(color=colour, bgcolor=ground, bold=bold, dim=dim, reverse=reverse)


RICH_STYLES = {
    category: style(category_style.colour) for category, category_style in TIME_STYLES.items()
}
STEP_STYLES = [style(text_on(colour), colour) for colour in CIVIDIS]
STEP_STYLES_AT_CURSOR = [style(colour, text_on(colour), bold=True) for colour in CIVIDIS]


def bar_runs(time: SharesOfTime, cells: int) -> list[Run]:
    """Return the runs of a stacked bar of `cells` cells; blank where there is no time at all."""
    parts = category_cells(time, cells)
    if not parts:
        return [(" " * cells, None)]
    return [
        (TIME_STYLES[category].glyph * count, RICH_STYLES[category]) for category, count in parts
    ]


class SafeText(LineFilter):
    """Makes all text safe that Textual's own widgets draw, whatever was handed to them."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return the segments of a line with nothing in them that a terminal obeys."""
        if all(segment.text.isprintable() for segment in segments):
            return segments
        return [
            Segment(one.text if one.control else safe_line(one.text), one.style, one.control)
            for one in segments
        ]


class Ground:
    """What is under all lines of a view: its style, and the filters that Textual lays over it.

    A filter replaces a style by another (without colour, or with a colour in place of dim). It is
    applied once to each style and not to every line. Filtered styles are cached by the identity of
    the style, because styles compare and hash in Python and a screen has thousands of runs. The
    cache holds the style too, so that no other object gets its identity.
    """

    MOST = 4096

    def __init__(
        self, base: Style, background: Color | None = None, filters: Sequence[LineFilter] = ()
    ) -> None:
        self._base = base
        self._background = background or Color(0, 0, 0)
        self._filters = filters
        self._filtered_styles: dict[int, tuple[Style | None, Style]] = {}

    def on(self, category_style: Style | None) -> Style:
        """Return a style as it is on the ground."""
        found = self._filtered_styles.get(id(category_style))
        if found is None:
            if len(self._filtered_styles) >= self.MOST:
                self._filtered_styles.clear()
            found = category_style, self._filtered(category_style)
            self._filtered_styles[id(category_style)] = found
        return found[1]

    def _filtered(self, category_style: Style | None) -> Style:
        segments = [
            Segment(" ", self._base if category_style is None else self._base + category_style)
        ]
        for each in self._filters:
            segments = each.apply(segments, self._background)
        return segments[0].style or Style.null()


def line(runs: Iterable[Run], cells: int, ground: Ground) -> Strip:
    """Return a strip of exactly `cells` cells on the ground; like neighbours become one."""
    on = ground.on
    segments: list[Segment] = []
    held, last = "", None
    for text, category_style in runs:
        if category_style is last:
            held += text
        else:
            if held:
                segments.append(Segment(safe_line(held), on(last)))
            held, last = text, category_style
    if held:
        segments.append(Segment(safe_line(held), on(last)))
    missing = cells - _cells([text for text, _, _ in segments])
    if missing < 0:
        return Strip(segments).crop(0, cells)
    if missing:
        segments.append(Segment(" " * missing, on(None)))
    return Strip(segments, cells)


def _cells(texts: list[str]) -> int:
    """Return the cells of texts; most are new with each frame, so rich's cache only fills up."""
    joined = "".join(texts)
    return len(joined) if ONE_CELL(joined) else sum(map(cell_len, texts))
