"""Where there is room: worker time second by second, and the kinds of task."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..palette import ENTRY_LOOKS
from ..words import calls_words, clean, count, maybe, share
from .drawing import column_cells, fit
from .line_view import LineView
from .strips import ENTRY_STYLES, Run, style

if TYPE_CHECKING:
    from textual.strip import Strip

    from ...analysis.entries import WorkerTime
    from ...analysis.readings import KindReading, PoolReading

NARROW_COLUMN, WIDE_COLUMN = 1, 2


class PastView(LineView):
    """One stacked column a past second, newest right; entries stand in order from the bottom."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._recent: tuple[int, int, tuple[WorkerTime, ...]] = (0, 0, ())
        self._columns: list[list[str]] = []
        self._width = WIDE_COLUMN

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's past seconds."""
        cells, lines = self.size.width - 1, self.size.height - 1
        past = pool.history if pool is not None else ()
        self._width = WIDE_COLUMN if cells >= 60 * WIDE_COLUMN else NARROW_COLUMN
        recent = past[-max(1, cells // self._width) :] if lines > 0 else ()
        drawn, self._recent = self._recent, (cells, lines, recent)
        if self._recent != drawn:  # a second has settled
            self._columns = [column_cells(time, lines) for time in recent]
            self.refresh()

    def render_line(self, y: int) -> Strip:
        """Draw line `y`: the title, then the columns from the top down."""
        cells = self.size.width
        if y == 0:
            title = f" worker time, last {len(self._columns)} s, a column a second"
            return self.line([(fit(title, cells), style(dim=True))], cells)
        level = self.size.height - 1 - y
        runs: list[Run] = [(" " * (cells - self._width * len(self._columns)), None)]
        for column in self._columns:
            entry = column[level] if level < len(column) else None
            if entry is None:
                runs.append((" " * self._width, None))
            else:
                runs.append((ENTRY_LOOKS[entry].glyph * self._width, ENTRY_STYLES[entry]))
        return self.line(runs, cells)


class KindsView(LineView):
    """The kinds of task in the window, by run time."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._kinds: tuple[KindReading, ...] = ()

    def show(self, pool: PoolReading | None) -> None:
        """Draw a pool's kinds of task."""
        kinds = pool.tasks.kinds if pool is not None else ()
        if kinds != self._kinds:
            self._kinds = kinds
            self.refresh()

    def render_line(self, y: int) -> Strip:
        """Draw line `y`: the heads, then a kind each."""
        cells = self.size.width
        name = max(8, cells - 31)
        if y == 0:
            heads = f"{fit('kind of task', name)}{'ended':>8}{'median':>10}{'stolen':>8}"
            return self.line([(heads, style(dim=True))], cells)
        if y == self.size.height - 1 and len(self._kinds) > y:
            return self.line([(f"and {len(self._kinds) - y + 1} more", style(dim=True))], cells)
        if y > len(self._kinds):
            return self.line([], cells)
        kind = self._kinds[y - 1]
        stolen = share(kind.stolen / kind.finished) if kind.finished else "–"
        named = clean(kind.kind, 80) + calls_words(kind.finished, kind.calls)
        text = f"{fit(named, name)}{count(kind.finished):>8}{maybe(kind.median_s):>10}{stolen:>8}"
        return self.line([(text, None)], cells)
