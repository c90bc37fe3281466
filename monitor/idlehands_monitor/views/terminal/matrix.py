"""A pool's matrix: steals, thief by victim, or hand-overs, submitter by runner; the value under
the cursor in words."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView

from ..grid import NOTHING, cell_sentence, grid_of
from ..palette import DENSITY, step
from .drawing import cell_number, fit
from .strips import STEP_STYLES, STEP_STYLES_AT_CURSOR, Run, line, style

if TYPE_CHECKING:
    from textual.strip import Strip

    from ...analysis.readings import PoolReading

LABEL_CELLS = 4
NARROWEST_CELL, WIDEST_CELL = 2, 6
NO_TASKS = "No task has been handed over yet."
LINES_AROUND = 4
"""A title, the columns' numbers, the scale and the cursor's sentence."""


def cell_width(workers: int, cells: int) -> int:
    """Return how many cells a victim's column gets in `cells` cells."""
    return max(NARROWEST_CELL, min(WIDEST_CELL, (cells - LABEL_CELLS) // max(1, workers)))


class MatrixView(ScrollView, can_focus=True):
    """The matrix as one widget; the arrow keys move its cursor.

    `dense` draws glyphs of rising density instead of colours, for 16 colours and for none.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1, 0)", "thief before", show=False),
        Binding("down", "move(1, 0)", "thief after", show=False),
        Binding("left", "move(0, -1)", "victim before", show=False),
        Binding("right", "move(0, 1)", "victim after", show=False),
        Binding("home", "move(0, -10000)", "first victim", show=False),
        Binding("end", "move(0, 10000)", "last victim", show=False),
        Binding("pageup", "move(-10, 0)", "ten thieves back", show=False),
        Binding("pagedown", "move(10, 0)", "ten thieves on", show=False),
    ]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._pool: PoolReading | None = None
        self._grid = NOTHING
        self.thief, self.victim = 0, 0
        self.dense = False

    @property
    def _room(self) -> Size:
        """The cells there are beside and above the scrollbars."""
        return self.scrollable_content_region.size

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's matrix."""
        self._pool = pool
        self._grid = grid = grid_of(pool)
        rows = len(grid.cells)
        self.thief = max(0, min(self.thief, rows - 1))
        self.victim = max(0, min(self.victim, grid.columns - 1))
        width = LABEL_CELLS + grid.columns * cell_width(grid.columns, self._room.width)
        size = Size(width, rows + LINES_AROUND)
        if self.virtual_size != size:
            self.virtual_size = size
        self.refresh()

    def action_move(self, rows: int, columns: int) -> None:
        """Move the cursor, keeping it in sight."""
        grid = self._grid
        if not grid.columns:
            return
        self.thief = max(0, min(len(grid.cells) - 1, self.thief + rows))
        self.victim = max(0, min(grid.columns - 1, self.victim + columns))
        width = cell_width(grid.columns, self._room.width)
        region = Region(LABEL_CELLS + self.victim * width, self.thief, width, LINES_AROUND + 1)
        self.scroll_to_region(region, animate=False, force=True, immediate=True)
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Draw line `y` of what is in sight; only the matrix itself scrolls."""
        cells, base = self._room.width, self.rich_style
        pool, grid = self._pool, self._grid
        if pool is None:
            return line([], cells, base)
        if not grid.columns:
            lines = textwrap.wrap(NO_TASKS, cells)
            return line([(fit("".join(lines[y : y + 1]), cells), style(dim=True))], cells, base)
        rows = min(len(grid.cells), self._room.height - LINES_AROUND)
        if y == 0:
            title = grid.title if cells > len(grid.title) else grid.short_title
            return line([(fit(title, cells), style(dim=True))], cells, base)
        if y == 1:
            return line([(self._heads(cells), style(dim=True))], cells, base)
        if y < rows + 2:
            return line(self._row(y - 2 + self.scroll_offset.y, cells), cells, base)
        if y == rows + 2:
            sentence = cell_sentence(pool, self.thief, self.victim, short=cells < 52)
            return line([(fit(sentence, cells), style(bold=True))], cells, base)
        if y == rows + 3:
            return line(self._scale(cells), cells, base)
        return line([], cells, base)

    def _columns(self, cells: int) -> tuple[int, range]:
        columns = self._grid.columns
        width = cell_width(columns, cells)
        first = self.scroll_offset.x // width
        return width, range(first, min(columns, first + (cells - LABEL_CELLS) // width))

    def _heads(self, cells: int) -> str:
        width, columns = self._columns(cells)
        longest = len(str(self._grid.columns - 1))
        every = 1 if longest < width else 5
        letters = [" "] * (LABEL_CELLS + width * len(columns) + longest)
        for place, column in enumerate(columns):
            start = LABEL_CELLS + place * width
            if every == 1:  # right-aligned, like the numbers below it
                letters[start : start + width - 1] = str(column).rjust(width - 1)
            elif column % every == 0:  # over narrow columns from its own on
                letters[start : start + longest] = str(column).ljust(longest)
        return "".join(letters)

    def _row(self, row: int, cells: int) -> list[Run]:
        grid = self._grid
        if row >= len(grid.cells):
            return []
        width, columns = self._columns(cells)
        runs: list[Run] = [(f"{grid.row_names[row]:>3} ", style(dim=True))]
        for column in columns:
            here = self.has_focus and row == self.thief and column == self.victim
            blank = grid.is_blank(row, column)
            runs.append(self._cell(grid.cells[row][column], width, blank, here))
        return runs

    def _cell(self, hits: int, width: int, blank: bool, here: bool) -> Run:
        number = cell_number(hits, width)
        level = step(hits, self._grid.largest)
        if blank:
            text = "·".center(width)
            return text, style(reverse=here, dim=True)
        if self.dense:
            glyph = DENSITY[level]
            text = number if width > 3 and hits else glyph * width
            return text, style(reverse=here, bold=here)
        return number, (STEP_STYLES_AT_CURSOR if here else STEP_STYLES)[level]

    def _scale(self, cells: int) -> list[Run]:
        runs: list[Run] = [("0 ", style(dim=True))]
        for level in range(9):
            glyph = DENSITY[level] * 2 if self.dense else "  "
            runs.append((glyph, None if self.dense else STEP_STYLES[level]))
        runs.append((fit(f" {self._grid.largest}", max(0, cells - 20)), style(dim=True)))
        return runs
