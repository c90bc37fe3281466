"""A pool's matrix: steals (thief by victim) or hand-overs (submitter by runner). A sentence gives
the counts under the cursor. Keys choose what is shown, and the title says it.

Drawn line by line: a line is made once for its content and cached, and only lines whose content
has changed are drawn again.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView

from ..grid import AS_COUNTED, NOTHING, grid_of, name_of, place_of, sides
from ..palette import steps
from .drawing import fit
from .keys import MATRIX, bindings
from .line_view import LineView
from .matrix_cells import (
    HEADS,
    SCALE,
    MatrixStyle,
    heads,
    measures,
    most_groups,
    row_runs,
    scale_runs,
    sentence_lines,
    title_lines,
)
from .strips import Run, style

if TYPE_CHECKING:
    from textual.binding import BindingType
    from textual.strip import Strip

    from ...model.reading import PoolReading
    from ..grid import Choice

MOST_STRIPS = 2048
SECOND_NS = 1_000_000_000
NOTHING_SEEN = -1
NO_TASKS = "No task handed over yet."
HINTS = "w what · u unit · n numbers · o order · g groups"
Key = tuple[object, ...]


class MatrixView(LineView, ScrollView, can_focus=True):
    """The matrix as one widget; the arrow keys move its cursor.

    `thief` and `victim` are the workers under the cursor (the first of each group; -1 is outside
    the pool). `numbers`: numbers instead of cells. `dense`: glyphs of rising density instead of
    colours, for 16 colours and for none.
    """

    BINDINGS: ClassVar[list[BindingType]] = bindings(MATRIX)

    class Changed(Message):
        """Another choice was made, or the matrix came into or out of focus."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.choice = AS_COUNTED
        self.numbers = True
        self.dense = False
        self.thief, self.victim = 0, 1
        self._pool: PoolReading | None = None
        self._seen_ns = NOTHING_SEEN
        self._grid = NOTHING
        self._levels = steps(NOTHING.values, 0)
        self._room = self._room_before = Size(0, 0)
        self._matrix_style = MatrixStyle(1, 1, numbers=True, dense=False)
        self._above: list[str] = []
        self._below: list[str] = []
        self._rows_shown = 0
        self._strips: dict[Key, Strip] = {}
        self._drawn: dict[int, Key] = {}

    def style_as(self, other: MatrixView) -> None:
        """Take over the choice, the style and the cursor's cell of another matrix."""
        self.choice, self.numbers, self.dense = other.choice, other.numbers, other.dense
        self.thief, self.victim = other.thief, other.victim
        self._pool = None  # what is drawn is of another style

    def wanted_cells(self, pool: PoolReading | None, most: int) -> int:
        """Return how many cells the matrix of a pool needs, of `most` that are there."""
        if pool is None:
            return 0
        fitting = most_groups(most, self._room.height, numbers=self.numbers)
        rows, columns = sides(pool, self.choice, fitting)
        label, width = measures(rows, len(columns), most, numbers=self.numbers)
        return label + len(columns) * width + 1 if columns else 0

    def follow(self, pool: PoolReading | None, *, paused: bool) -> None:
        """Draw a later reading: at most one of each second, since nobody reads a matrix faster.

        The last one before the data ends or a pause is drawn in any case.
        """
        seen_ns, self._seen_ns = self._seen_ns, pool.end_ns if pool is not None else NOTHING_SEEN
        if paused or self._seen_ns == seen_ns or not self._is_of_second(pool):
            self.show(pool)

    def _is_of_second(self, pool: PoolReading | None) -> bool:
        """Return whether what is drawn is of the second of a reading, of its pool, and fits in."""
        drawn = self._pool
        if pool is None or drawn is None or self.scrollable_content_region.size != self._room:
            return False
        seconds = {one.end_ns // SECOND_NS for one in (pool, drawn)}
        return pool.number == drawn.number and len(seconds) == 1

    def show(self, pool: PoolReading | None) -> None:
        """Draw those lines of a pool's matrix that have changed."""
        self._pool = pool
        self._room_before = self._room
        self._room = room = self.scrollable_content_region.size
        fitting = most_groups(room.width, room.height, numbers=self.numbers)
        self._grid = grid = grid_of(pool, self.choice, fitting)
        self._levels = steps(grid.values, grid.largest)
        if grid.rows:
            self.thief = grid.rows[place_of(self.thief, grid.rows)][0]
            self.victim = grid.columns[place_of(self.victim, grid.columns)][0]
        self._lay_out()
        changed = [y for y in range(room.height) if self._drawn.get(y) != self._key(y)]
        if changed:
            self.refresh(*(Region(0, y, room.width, 1) for y in changed))

    def _lay_out(self) -> None:
        """Work out the lines around the rows, how many rows are visible, and the room for all."""
        grid, room, pool = self._grid, self._room, self._pool
        columns = len(grid.columns)
        label, width = measures(grid.rows, columns, room.width, numbers=self.numbers)
        self._matrix_style = MatrixStyle(label, width, self.numbers, self.dense)
        self._above = title_lines(grid.title, room.width)
        self._below = []
        if pool is not None and columns:
            self._below = sentence_lines(pool, grid, self.thief, self.victim, room.width)
        around = len(self._above) + HEADS + SCALE + len(self._below)
        self._rows_shown = max(0, min(len(grid.rows), room.height - around))
        size = Size(label + columns * width, len(grid.rows) + around)
        if self.virtual_size != size:
            self.virtual_size = size
            self.refresh()

    def action_move(self, rows: int, columns: int) -> None:
        """Move the cursor, keeping it in sight."""
        grid = self._grid
        if not grid.columns:
            return
        row, column = place_of(self.thief, grid.rows), place_of(self.victim, grid.columns)
        row = max(0, min(len(grid.rows) - 1, row + rows))
        column = max(0, min(len(grid.columns) - 1, column + columns))
        self.thief, self.victim = grid.rows[row][0], grid.columns[column][0]
        self._lay_out()
        matrix_style, around = self._matrix_style, self.virtual_size.height - len(grid.rows)
        region = Region(
            matrix_style.label + column * matrix_style.width, row, matrix_style.width, around + 1
        )
        self.scroll_to_region(region, animate=False, force=True, immediate=True)
        self.refresh()

    def action_counted(self) -> None:
        """Show what is counted next: steals, attempts, attempts that found nothing, lost races."""
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

    def draw_line(self, y: int, _cells: int) -> Strip:
        """Draw visible line `y`; only the matrix itself scrolls."""
        if y == 0 and self.scrollable_content_region.size not in (self._room, self._room_before):
            self.call_later(self.show, self._pool)  # a scrollbar came or went
        key = self._drawn[y] = self._key(y)
        strip = self._strips.get(key)
        if strip is None:
            if len(self._strips) >= MOST_STRIPS:
                self._strips.clear()
            row = self._row_at(y)
            runs = self._text_runs(y) if row is None else self._row_runs(row)
            strip = self._strips[key] = self.line(runs, self._room.width)
        return strip

    def _row_at(self, y: int) -> int | None:
        """Return which row of the matrix line `y` shows, None where it shows none."""
        place = y - len(self._above) - HEADS
        row = place + self.scroll_offset.y
        return row if 0 <= place < self._rows_shown and row < len(self._grid.rows) else None

    def _key(self, y: int) -> Key:
        """Return all that line `y` depends on."""
        row = self._row_at(y)
        if row is None:
            return (*self._text_runs(y), self._room.width, self.ground)
        grid, numbers = self._grid, self._matrix_style.numbers
        return (
            name_of(grid.rows[row]),
            self._levels[row].tobytes(),
            grid.values[row].tobytes() if numbers else b"",
            grid.unit,
            self._cursor_column(row),
            self.scroll_offset.x,
            self._matrix_style,
            self._room.width,
            self.ground,
        )

    def _cursor_column(self, row: int) -> int:
        """Return where in a row the cursor is, -1 where it is not."""
        if not self.has_focus or self.thief not in self._grid.rows[row]:
            return -1
        return place_of(self.victim, self._grid.columns)

    def _columns(self) -> range:
        """Return the columns that are in sight."""
        first = self.scroll_offset.x // self._matrix_style.width
        fitting = (self._room.width - self._matrix_style.label) // self._matrix_style.width
        return range(first, min(len(self._grid.columns), first + fitting))

    def _row_runs(self, row: int) -> list[Run]:
        levels, here = self._levels[row].tolist(), self._cursor_column(row)
        return row_runs(self._grid, levels, row, self._columns(), here, self._matrix_style)

    def _text_runs(self, y: int) -> list[Run]:
        """Return a line above or below the rows."""
        cells, grid = self._room.width, self._grid
        if not grid.columns:
            note = NO_TASKS if y == 0 and self._pool is not None else ""
            return [(fit(note, cells), style(dim=True))]
        if y < len(self._above):
            return [(fit(self._above[y], cells), style(dim=True))]
        if y == len(self._above):
            return [(fit(heads(grid, self._matrix_style, self._columns()), cells), style(dim=True))]
        below = y - len(self._above) - HEADS - self._rows_shown
        if below < SCALE:
            return scale_runs(grid, self._matrix_style, cells)
        sentence = "".join(self._below[below - SCALE : below - SCALE + 1])
        return [(fit(sentence, cells), style(bold=True))]
