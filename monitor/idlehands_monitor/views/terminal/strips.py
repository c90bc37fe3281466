"""From runs of text to Textual strips, with every style made once."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from ...analysis.entries import WorkerTime
from ..palette import CIVIDIS, ENTRY_LOOKS, text_on
from .drawing import entry_cells

if TYPE_CHECKING:
    from collections.abc import Iterable

Run = tuple[str, Style | None]


@lru_cache(maxsize=1024)
def style(
    colour: str | None = None,
    ground: str | None = None,
    *,
    bold: bool = False,
    dim: bool = False,
    reverse: bool = False,
) -> Style:
    """Return a style, always the same object for the same look."""
    return Style(color=colour, bgcolor=ground, bold=bold, dim=dim, reverse=reverse)


ENTRY_STYLES = {entry: style(look.colour) for entry, look in ENTRY_LOOKS.items()}
STEP_STYLES = [style(text_on(colour), colour) for colour in CIVIDIS]
STEP_STYLES_AT_CURSOR = [style(colour, text_on(colour), bold=True) for colour in CIVIDIS]


def bar_runs(time: WorkerTime, cells: int) -> list[Run]:
    """Return the runs of a stacked bar of `cells` cells; blank where there is no time at all."""
    parts = entry_cells(time, cells)
    if not parts:
        return [(" " * cells, None)]
    return [(ENTRY_LOOKS[entry].glyph * count, ENTRY_STYLES[entry]) for entry, count in parts]


class _Looks(dict[int, "tuple[Style | None, Style]"]):
    """Looks on one base style, by the identity of the look, which is kept and so stays its own.

    Styles are compared and hashed in Python; a screen has thousands of runs.
    """

    MOST = 4096

    def __init__(self, base: Style) -> None:
        super().__init__()
        self._base = base

    def on(self, look: Style | None) -> Style:
        """Return a look on the base."""
        found = self.get(id(look))
        if found is None:
            if len(self) >= self.MOST:
                self.clear()
            found = self[id(look)] = look, self._base if look is None else self._base + look
        return found[1]


_looks = lru_cache(maxsize=64)(_Looks)


def line(runs: Iterable[Run], cells: int, base: Style) -> Strip:
    """Return a strip of exactly `cells` cells on the base style; like neighbours become one."""
    on = _looks(base).on
    segments: list[Segment] = []
    held, last = "", None
    for text, look in runs:
        if look is last:
            held += text
        else:
            if held:
                segments.append(Segment(held, on(last)))
            held, last = text, look
    if held:
        segments.append(Segment(held, on(last)))
    strip = Strip(segments)
    if strip.cell_length == cells:
        return strip
    return strip.adjust_cell_length(cells, base)
