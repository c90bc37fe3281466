"""The steal matrix: one row a thief, one column a victim, the value under the cursor in words."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView

from ..palette import DENSITY, step
from .drawing import cell_number, fit
from .strips import STEP_STYLES, STEP_STYLES_AT_CURSOR, Run, line, style

if TYPE_CHECKING:
    from textual.strip import Strip

    from ...analysis.readings import PoolReading, StealReading

LABEL_CELLS = 4
NARROWEST_CELL, WIDEST_CELL = 2, 6
NO_STEALS = "The workers of this pool share one queue: there are no steals to show."
LINES_AROUND = 4
"""A title, the victims' numbers, the scale and the cursor's sentence."""


def cell_width(workers: int, cells: int) -> int:
    """Return how many cells a victim's column gets in `cells` cells."""
    return max(NARROWEST_CELL, min(WIDEST_CELL, (cells - LABEL_CELLS) // max(1, workers)))


def under_cursor(steals: StealReading, thief: int, victim: int, *, short: bool = False) -> str:
    """Return the value of one cell as a sentence."""
    if thief == victim:
        return f"{thief} does not steal from itself"
    hits = steals.hits[thief][victim]
    lost = steals.lost_races[thief][victim]
    looks = hits + steals.empties[thief][victim] + lost
    if short:
        return f"{thief} ← {victim}: {hits} of {looks} looks"
    share = f", {hits / looks:.0%}" if looks else ""
    races = f"; {lost} lost races" if lost else ""
    return f"thief {thief} took {hits} in {looks} looks at victim {victim}{share}{races}"


class MatrixView(ScrollView, can_focus=True):
    """The matrix of successful steals as one widget; the arrow keys move its cursor.

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
        self._largest = 0
        self.thief, self.victim = 0, 0
        self.dense = False

    @property
    def _room(self) -> Size:
        """The cells there are beside and above the scrollbars."""
        return self.scrollable_content_region.size

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's steals."""
        self._pool = pool
        workers = len(pool.workers) if pool else 0
        self._largest = (
            max((max(row, default=0) for row in pool.steals.hits), default=0) if pool else 0
        )
        self.thief = max(0, min(self.thief, workers - 1))
        self.victim = max(0, min(self.victim, workers - 1))
        width = LABEL_CELLS + workers * cell_width(workers, self._room.width)
        size = Size(width, workers + LINES_AROUND)
        if self.virtual_size != size:
            self.virtual_size = size
        self.refresh()

    def action_move(self, rows: int, columns: int) -> None:
        """Move the cursor, keeping it in sight."""
        if self._pool is None:
            return
        last = len(self._pool.workers) - 1
        self.thief = max(0, min(last, self.thief + rows))
        self.victim = max(0, min(last, self.victim + columns))
        width = cell_width(last + 1, self._room.width)
        region = Region(LABEL_CELLS + self.victim * width, self.thief, width, LINES_AROUND + 1)
        self.scroll_to_region(region, animate=False, force=True, immediate=True)
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Draw line `y` of what is in sight; only the matrix itself scrolls."""
        cells, base = self._room.width, self.rich_style
        pool = self._pool
        if pool is None:
            return line([], cells, base)
        if not pool.has_steals:
            lines = textwrap.wrap(NO_STEALS, cells)
            return line([(fit("".join(lines[y : y + 1]), cells), style(dim=True))], cells, base)
        rows = min(len(pool.workers), self._room.height - LINES_AROUND)
        if y == 0:
            title = "steals, thief ↓ from victim →" if cells >= 30 else "thief ↓ from victim →"
            return line([(fit(title, cells), style(dim=True))], cells, base)
        if y == 1:
            return line([(self._heads(pool, cells), style(dim=True))], cells, base)
        if y < rows + 2:
            return line(self._row(pool, y - 2 + self.scroll_offset.y, cells), cells, base)
        if y == rows + 2:
            sentence = under_cursor(pool.steals, self.thief, self.victim, short=cells < 52)
            return line([(fit(sentence, cells), style(bold=True))], cells, base)
        if y == rows + 3:
            return line(self._scale(cells), cells, base)
        return line([], cells, base)

    def _columns(self, pool: PoolReading, cells: int) -> tuple[int, range]:
        width = cell_width(len(pool.workers), cells)
        first = self.scroll_offset.x // width
        return width, range(first, min(len(pool.workers), first + (cells - LABEL_CELLS) // width))

    def _heads(self, pool: PoolReading, cells: int) -> str:
        width, columns = self._columns(pool, cells)
        longest = len(str(len(pool.workers) - 1))
        every = 1 if longest < width else 5
        letters = [" "] * (LABEL_CELLS + width * len(columns) + longest)
        for place, victim in enumerate(columns):
            start = LABEL_CELLS + place * width
            if every == 1:  # right-aligned, like the numbers below it
                letters[start : start + width - 1] = str(victim).rjust(width - 1)
            elif victim % every == 0:  # over narrow columns from its own on
                letters[start : start + longest] = str(victim).ljust(longest)
        return "".join(letters)

    def _row(self, pool: PoolReading, thief: int, cells: int) -> list[Run]:
        if thief >= len(pool.workers):
            return []
        width, columns = self._columns(pool, cells)
        runs: list[Run] = [(f"{thief:>3} ", style(dim=True))]
        for victim in columns:
            here = self.has_focus and thief == self.thief and victim == self.victim
            runs.append(self._cell(pool.steals.hits[thief][victim], width, thief == victim, here))
        return runs

    def _cell(self, hits: int, width: int, diagonal: bool, here: bool) -> Run:
        number = cell_number(hits, width)
        level = step(hits, self._largest)
        if diagonal:
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
        runs.append((fit(f" {self._largest}", max(0, cells - 20)), style(dim=True)))
        return runs
