"""A sheet over the dashboard: one framed text that scrolls, until it is closed."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from .keys import SHEET, bindings

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.binding import BindingType

    from ...model.reading import PoolReading


class Sheet(ModalScreen[None]):
    """What all sheets share: the frame, its parts by name, and the keys that close the sheet."""

    DEFAULT_CSS = """
    Sheet { align: center middle; }
    Sheet > VerticalScroll {
        width: 95%; max-width: 120; height: 95%; border: round $primary;
        background: $surface; padding: 0 1;
    }
    Sheet Static { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = bindings(SHEET)
    PARTS: ClassVar[tuple[str, ...]] = ("text",)

    def compose(self) -> ComposeResult:
        """Lay out the parts, one under the other."""
        with VerticalScroll() as frame:
            frame.border_subtitle = "esc closes"
            for part in self.PARTS:
                yield Static(id=part, markup=False)

    def part(self, name: str) -> Static:
        """Return the part of a name."""
        return self.query_one(f"#{name}", Static)

    def show(self, pool: PoolReading) -> None:
        """Draw what the sheet shows of a pool."""

    def action_close(self) -> None:
        """Go back to what is below."""
        self.dismiss()
