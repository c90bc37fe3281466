"""A pool's matrix: steals, thief by victim, or hand-overs, submitter by runner; the counts under
the cursor in words. Keys choose what is shown, and the title says it.

Drawn line by line: a line is made once for what it says and kept, and only lines that say
something else than before are drawn again.
"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView

from ..grid import AS_COUNTED, NOTHING, cell_sentence, grid_of, name_of, place_of
from ..palette import BLANK, DENSITY, steps
from .drawing import cell_amount, fit
from .strips import STEP_STYLES, STEP_STYLES_AT_CURSOR, Run, line, style

if TYPE_CHECKING:
    from textual.strip import Strip

    from ...analysis.readings import PoolReading
    from ..grid import Choice, Grid

NARROWEST_CELL, NUMBER_CELL, WIDEST_CELL = 2, 5, 6
FEW_COLUMNS = 16
"""So few columns are squeezed, numbers or not; with more, scrolled."""
WIDE, WIDEST = 64, 100
"""From so many cells on, the counts under the cursor take one line, and a long one."""
HEADS, SCALE = 1, 1
MOST_STRIPS = 2048
NO_TASKS = "No task has been handed over yet."
HINTS = "w what · u unit · n numbers · o order · g groups"
Key = tuple[object, ...]


def cell_width(columns: int, cells: int, label: int = 4, least: int = NARROWEST_CELL) -> int:
    """Return how many cells each of so many columns gets in `cells` cells beside the labels."""
    return max(least, min(WIDEST_CELL, (cells - label) // max(1, columns)))


def title_lines(title: tuple[str, ...], cells: int) -> list[str]:
    """Return what is shown as lines, as many facts on each as fit."""
    lines = [""]
    for fact in title:
        joined = f"{lines[-1]}, {fact}" if lines[-1] else fact
        if len(joined) <= cells:
            lines[-1] = joined
        else:
            lines += textwrap.wrap(fact, max(8, cells))
    return [said for said in lines if said]


class MatrixView(ScrollView, can_focus=True):
    """The matrix as one widget; the arrow keys move its cursor.

    `thief` and `victim` are the workers under the cursor (the first of each group; -1 is outside
    the pool). `numbers`: numbers instead of cells. `dense`: glyphs of rising density instead of
    colours, for 16 colours and for none.
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
        Binding("w", "counted", "what is counted", show=False),
        Binding("u", "unit", "in which unit", show=False),
        Binding("n", "numbers", "numbers or cells", show=False),
        Binding("o", "order", "by worker or by traffic", show=False),
        Binding("g", "groups", "grouped or single", show=False),
    ]

    class Changed(Message):
        """Another choice was made, or the matrix came into or out of focus."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.choice = AS_COUNTED
        self.numbers = True
        self.dense = False
        self._pool: PoolReading | None = None
        self._grid = NOTHING
        self._levels = steps(NOTHING.values, 0)
        self._title: list[str] = []
        self._label, self._width = self._measures(NOTHING, 0)
        self.thief, self.victim = 0, 0
        self._strips: dict[Key, Strip] = {}
        self._drawn: dict[int, Key] = {}

    @property
    def _room(self) -> Size:
        """The cells there are beside and above the scrollbars."""
        return self.scrollable_content_region.size

    @property
    def lines_around(self) -> int:
        """How many lines there are beside the rows."""
        return len(self._title) + HEADS + self._sentence_lines + SCALE

    @property
    def _sentence_lines(self) -> int:
        return 1 if self._room.width >= WIDE else 3 if self._grid.is_grouped else 2

    def _measures(self, grid: Grid, cells: int) -> tuple[int, int]:
        """Return the cells of the rows' names and of a column in `cells` cells."""
        label = max((len(name_of(row)) for row in grid.rows), default=3) + 1
        columns = len(grid.columns)
        least = NUMBER_CELL if self.numbers and columns > FEW_COLUMNS else NARROWEST_CELL
        return label, cell_width(columns, cells, label, least)

    def look_as(self, other: MatrixView) -> None:
        """Show the same choice in the same way as another one, the cursor at the same cell."""
        self.choice, self.numbers, self.dense = other.choice, other.numbers, other.dense
        self.thief, self.victim = other.thief, other.victim

    def most_groups(self, cells: int, lines: int) -> int:
        """Return how many rows and columns are readable at once in so much room."""
        around = HEADS + SCALE + (2 if cells >= WIDE else 6)
        width = NUMBER_CELL if self.numbers else NARROWEST_CELL
        return max(1, min((cells - 8) // width, lines - around))

    def wanted_cells(self, pool: PoolReading | None, most: int) -> int:
        """Return how wide the matrix of a pool wants to be, with `most` cells there."""
        grid = grid_of(pool, self.choice, self.most_groups(most, self._room.height))
        columns = len(grid.columns)
        if not columns:
            return 0
        label, width = self._measures(grid, most)
        return label + columns * width + 1

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's matrix: the lines of it that have changed."""
        self._pool = pool
        room = self._room
        self._grid = grid = grid_of(pool, self.choice, self.most_groups(room.width, room.height))
        self._levels = steps(grid.values, grid.largest)
        self._title = title_lines(grid.title, room.width)
        self._label, self._width = self._measures(grid, room.width)
        if grid.rows:
            self.thief = grid.rows[place_of(self.thief, grid.rows)][0]
            self.victim = grid.columns[place_of(self.victim, grid.columns)][0]
        size = Size(
            self._label + len(grid.columns) * self._width, len(grid.rows) + self.lines_around
        )
        if self.virtual_size != size:
            self.virtual_size = size
            self.refresh()
            return
        for y in range(room.height):
            if self._drawn.get(y) != self._key(y):
                self.refresh(Region(0, y, room.width, 1))

    def action_move(self, rows: int, columns: int) -> None:
        """Move the cursor, keeping it in sight."""
        grid = self._grid
        if not grid.columns:
            return
        row, column = place_of(self.thief, grid.rows), place_of(self.victim, grid.columns)
        row = max(0, min(len(grid.rows) - 1, row + rows))
        column = max(0, min(len(grid.columns) - 1, column + columns))
        self.thief, self.victim = grid.rows[row][0], grid.columns[column][0]
        region = Region(self._label + column * self._width, row, self._width, self.lines_around + 1)
        self.scroll_to_region(region, animate=False, force=True, immediate=True)
        self.refresh()

    def action_counted(self) -> None:
        """Show what is counted next: steals, looks, looks that found nothing, lost races."""
        self._choose(self.choice.next_counted())

    def action_unit(self) -> None:
        """Show counts, a rate, or shares of the row."""
        self._choose(self.choice.next_unit())

    def action_order(self) -> None:
        """Put workers in their own order, or those of most traffic first."""
        self._choose(replace(self.choice, by_traffic=not self.choice.by_traffic))

    def action_groups(self) -> None:
        """Show groups of workers, or every worker, of a pool that is too large for the screen."""
        self._choose(replace(self.choice, grouped=not self.choice.grouped))

    def action_numbers(self) -> None:
        """Show numbers or cells."""
        self.numbers = not self.numbers
        self._choose(self.choice)

    def _choose(self, choice: Choice) -> None:
        self.choice = choice
        self.show(self._pool)
        self.action_move(0, 0)
        self.post_message(self.Changed())

    def on_resize(self) -> None:
        """Fit the matrix to its new room."""
        self.show(self._pool)

    def on_focus(self) -> None:
        """Say that the keys are the matrix's now."""
        self.post_message(self.Changed())

    def on_blur(self) -> None:
        """Say that they no longer are."""
        self.post_message(self.Changed())

    def render_line(self, y: int) -> Strip:
        """Draw line `y` of what is in sight; only the matrix itself scrolls."""
        key = self._drawn[y] = self._key(y)
        strip = self._strips.get(key)
        if strip is None:
            if len(self._strips) >= MOST_STRIPS:
                self._strips.clear()
            strip = line(self._runs(y), self._room.width, self.rich_style)
            self._strips[key] = strip
        return strip

    def _row_at(self, y: int) -> int | None:
        """Return which row of the matrix line `y` shows, None where it shows none."""
        rows = min(len(self._grid.rows), self._room.height - self.lines_around)
        place = y - len(self._title) - HEADS
        return place + self.scroll_offset.y if 0 <= place < rows else None

    def _key(self, y: int) -> Key:
        """Return all that line `y` depends on."""
        row, first = self._row_at(y), self.scroll_offset.x
        if row is None:
            return (tuple(self._text_runs(y)), self._room.width, self.rich_style)
        if row >= len(self._grid.rows):
            return (self._room.width, self.rich_style)
        here = self._cursor_column(row)
        said = self._grid.values[row].tobytes() if self.numbers else b""
        return (
            name_of(self._grid.rows[row]),
            self._levels[row].tobytes(),
            said,
            self._grid.unit,
            here,
            first,
            self._width,
            self.dense,
            self._room.width,
            self.rich_style,
        )

    def _cursor_column(self, row: int) -> int:
        """Return where in a row the cursor is, -1 where it is not."""
        if not self.has_focus or self.thief not in self._grid.rows[row]:
            return -1
        return place_of(self.victim, self._grid.columns)

    def _runs(self, y: int) -> list[Run]:
        row = self._row_at(y)
        if row is None:
            return self._text_runs(y)
        return self._row(row) if row < len(self._grid.rows) else []

    def _text_runs(self, y: int) -> list[Run]:
        """Return a line above or below the rows."""
        cells, pool, grid = self._room.width, self._pool, self._grid
        if pool is None:
            return []
        if not grid.columns:
            lines = textwrap.wrap(NO_TASKS, max(1, cells))
            return [("".join(lines[y : y + 1]), style(dim=True))]
        if y < len(self._title):
            return [(fit(self._title[y], cells), style(dim=True))]
        if y == len(self._title):
            return [(self._heads(cells), style(dim=True))]
        rows = min(len(grid.rows), self._room.height - self.lines_around)
        below = y - len(self._title) - HEADS - rows
        if below < SCALE:
            return self._scale(cells)
        if below < SCALE + self._sentence_lines:
            return [(self._sentence_line(pool, below - SCALE), style(bold=True))]
        return []

    def _sentence_line(self, pool: PoolReading, place: int) -> str:
        cells, grid = self._room.width, self._grid
        thief = grid.rows[place_of(self.thief, grid.rows)]
        victim = grid.columns[place_of(self.victim, grid.columns)]
        sentence = cell_sentence(pool, thief, victim, short=cells < WIDEST)
        lines = textwrap.wrap(sentence, max(8, cells))
        return fit("".join(lines[place : place + 1]), cells)

    def _columns(self) -> tuple[int, range]:
        columns, width = len(self._grid.columns), self._width
        first = self.scroll_offset.x // width
        return width, range(first, min(columns, first + (self._room.width - self._label) // width))

    def _heads(self, cells: int) -> str:
        width, columns = self._columns()
        names = [str(self._grid.columns[column][0]) for column in columns]
        longest = max(map(len, names), default=1)
        every = 1 if longest < width else 5
        letters = [" "] * (self._label + width * len(columns) + longest)
        for place, (column, name) in enumerate(zip(columns, names, strict=True)):
            start = self._label + place * width
            if every == 1:  # right-aligned, like the numbers below it
                letters[start : start + width - 1] = name.rjust(width - 1)
            elif column % every == 0:  # over narrow columns from its own on
                letters[start : start + longest] = name.ljust(longest)
        return "".join(letters)[:cells]

    def _row(self, row: int) -> list[Run]:
        """Return the runs of a row: cells that look alike make one."""
        grid, label = self._grid, self._label
        width, columns = self._columns()
        here = self._cursor_column(row)
        runs: list[Run] = [(f"{name_of(grid.rows[row]):>{label - 1}} ", style(dim=True))]
        levels, values = self._levels[row].tolist(), grid.values[row].tolist()
        before, text = None, ""
        for column in columns:
            look = self._look(levels[column], at_cursor=column == here)
            if look is not before and text:
                runs.append((text, before))
                text = ""
            before = look
            text += self._cell(values[column], levels[column], width)
        return [*runs, (text, before)]

    def _cell(self, value: float, level: int, width: int) -> str:
        if self.numbers or level == BLANK:
            return cell_amount(value, self._grid.unit, width)
        return (DENSITY[level] if self.dense else " ") * width

    def _look(self, level: int, *, at_cursor: bool) -> Style:
        if level == BLANK:
            return style(reverse=at_cursor, dim=True)
        if self.dense:
            return style(reverse=at_cursor, bold=at_cursor)
        return (STEP_STYLES_AT_CURSOR if at_cursor else STEP_STYLES)[level]

    def _scale(self, cells: int) -> list[Run]:
        grid = self._grid
        runs: list[Run] = [("0 ", style(dim=True))]
        for level in range(BLANK):
            glyph = DENSITY[level] * 2 if self.dense else "  "
            runs.append((glyph, None if self.dense else STEP_STYLES[level]))
        largest = cell_amount(grid.largest, grid.unit, 12).strip() or "0"
        unit = {"per second": "/s", "share of the row": " %"}.get(grid.unit, "")
        runs.append((fit(f" {largest}{unit}", max(0, cells - 20)), style(dim=True)))
        return runs
