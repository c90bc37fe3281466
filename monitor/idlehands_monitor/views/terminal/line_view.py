"""The base of the widgets that are drawn line by line: a line is cached until it changes.

Also what stands behind them, whose lines are all blank.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.containers import Horizontal
from textual.geometry import Region, Size
from textual.screen import Screen
from textual.widget import Widget

from .strips import Ground, line

if TYPE_CHECKING:
    from collections.abc import Iterable

    from textual.strip import Strip
    from typing_extensions import Self

    from .strips import Run


class LineView(Widget):
    """A widget whose lines are drawn by `draw_line`, with all their styles, and cached.

    Textual lays borders, padding, tints, a background and filters over every line that it draws
    itself, which takes several times as long as drawing it. A line view has no border, padding or
    tint; its ground is looked up once.
    """

    def __init__(self, *, id: str | None = None) -> None:
        self._ground: Ground | None = None
        self._cached: dict[int, Strip] = {}
        self._cached_size = Size(0, 0), 0
        super().__init__(id=id)

    @property
    def ground(self) -> Ground:
        """What is under all lines, always the same object until the style changes."""
        if self._ground is None:
            self._ground = _ground_of(self)
        return self._ground

    def line(self, runs: Iterable[Run], cells: int) -> Strip:
        """Return runs as a line of exactly `cells` cells."""
        return line(runs, cells, self.ground)

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw visible line `y`, of so many cells: the width of the view without a scrollbar."""
        raise NotImplementedError

    def refresh(
        self,
        *regions: Region,
        repaint: bool = True,
        layout: bool = False,
        recompose: bool = False,
    ) -> Self:
        """Have all or some lines drawn again."""
        for region in regions:
            for y in region.line_range:
                self._cached.pop(y, None)
        if not regions:
            self._cached.clear()
        return super().refresh(*regions, repaint=repaint, layout=layout, recompose=recompose)

    def notify_style_update(self) -> None:
        """Look up again what the lines are on: the theme has changed, or a rule of it."""
        self._ground = None
        self._cached.clear()
        super().notify_style_update()

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the lines of `crop`, drawing those that are not cached."""
        cached, size, cells = self._cached, self.size, self.scrollable_content_region.width
        if (size, cells) != self._cached_size:
            cached.clear()
            self._cached_size = size, cells
        for y in crop.line_range:
            if y not in cached:
                strip = self.draw_line(y, cells)
                cached[y] = strip.adjust_cell_length(size.width, self.ground.on(None))
        strips = [cached[y] for y in crop.line_range]
        if crop.column_span != (0, size.width):
            strips = [strip.crop(*crop.column_span) for strip in strips]
        return strips


class FewLines(LineView):
    """Some lines that are computed all at once; only those that have changed are drawn again."""

    def __init__(self, *, id: str | None = None) -> None:
        self._rows: list[list[Run]] = []
        self._cells = -1
        super().__init__(id=id)

    def rows(self, cells: int) -> list[list[Run]]:
        """Return the lines as they are now, in so many cells."""
        raise NotImplementedError

    def draw(self) -> None:
        """Have the lines that have changed drawn again."""
        cells = self.size.width
        before, self._rows, self._cells = self._rows, self.rows(cells), cells
        if len(before) != len(self._rows):
            self.refresh()
            return
        changed = [y for y, row in enumerate(self._rows) if row != before[y]]
        if changed:
            self.refresh(*(Region(0, y, cells, 1) for y in changed))

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw line `y`."""
        if cells != self._cells:
            self._rows, self._cells = self.rows(cells), cells
        return self.line(self._rows[y] if y < len(self._rows) else [], cells)


class Row(Horizontal):
    """Line views side by side, with blanks behind them."""

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return blank lines."""
        return _blanks(self, crop)


class BlankScreen(Screen[None]):
    """A screen with blanks behind its line views."""

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return blank lines."""
        return _blanks(self, crop)


def _ground_of(widget: Widget) -> Ground:
    return Ground(widget.rich_style, widget.background_colors[1], widget.app.get_line_filters())


def _blanks(widget: Widget, crop: Region) -> list[Strip]:
    """Return what is behind other widgets: one and the same blank line, so many times."""
    return [line([], crop.width, _ground_of(widget))] * crop.height
