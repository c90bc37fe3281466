"""Rows in a sheet that scrolls, each drawn only when it changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.geometry import Region

from .line_view import LineView

if TYPE_CHECKING:
    from textual.strip import Strip

    from .strips import Run


class RowsView(LineView):
    """Rows as they are given, as high as they are many; only lines that changed are drawn."""

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[list[Run]] = []

    def show(self, rows: list[list[Run]]) -> None:
        """Draw other rows."""
        before, self._rows = self._rows, rows
        if len(rows) != len(before):
            self.styles.height = len(rows)
            self.refresh(layout=True)
            return
        changed = [y for y, row in enumerate(rows) if row != before[y]]
        if changed:
            self.refresh(*(Region(0, y, self.size.width, 1) for y in changed))

    def draw_line(self, y: int, cells: int) -> Strip:
        """Draw row `y`."""
        return self.line(self._rows[y] if y < len(self._rows) else [], cells)
