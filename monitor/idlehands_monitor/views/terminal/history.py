"""Where there is room: worker time second by second, and the kinds of task."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..palette import TIME_STYLES
from .drawing import column_cells, fit
from .kinds import kind_rows
from .line_view import LineView
from .strips import RICH_STYLES, Run, style

if TYPE_CHECKING:
    from textual.strip import Strip

    from ...model.reading import PoolReading
    from ...model.shares import AnyCategory
    from ...model.worker_time import WorkerTime

NARROW_COLUMN, WIDE_COLUMN = 1, 2


class HistoryView(LineView):
    """One stacked column a second, the newest at the right; categories in order from the bottom."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._drawn: tuple[int, int] = (0, 0)
        self._history: tuple[WorkerTime, ...] = ()
        self._columns: list[list[AnyCategory]] = []
        self._width = WIDE_COLUMN

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's history, second by second."""
        cells, lines = self.size.width - 1, self.size.height - 1
        history = pool.history if pool is not None else ()
        if history is self._history and (cells, lines) == self._drawn:
            return  # no second has settled
        self._history, self._drawn = history, (cells, lines)
        self._width = WIDE_COLUMN if cells >= 60 * WIDE_COLUMN else NARROW_COLUMN
        recent = history[-max(1, cells // self._width) :] if lines > 0 else ()
        self._columns = [column_cells(time, lines) for time in recent]
        self.refresh()

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw line `y`: the title, then the columns from the top down."""
        if y == 0:
            title = f" worker time, the last {len(self._columns)} s, one second a column"
            return self.line([(fit(title, cells), style(dim=True))], cells)
        level = self.size.height - 1 - y
        runs: list[Run] = [(" " * (cells - self._width * len(self._columns)), None)]
        for column in self._columns:
            category = column[level] if level < len(column) else None
            if category is None:
                runs.append((" " * self._width, None))
            else:
                runs.append((TIME_STYLES[category].glyph * self._width, RICH_STYLES[category]))
        return self.line(runs, cells)


class KindsView(LineView):
    """The kinds of task in the window, by run time."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._rows: list[list[Run]] = []

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's kinds of task."""
        rows = kind_rows(pool, self.size.width, self.size.height) if pool is not None else []
        if rows != self._rows:
            self._rows = rows
            self.refresh()

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw line `y`: the heads, then a kind each."""
        return self.line(self._rows[y] if y < len(self._rows) else [], cells)
