"""The sheet on which a person writes the note of a mark."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input

from ...session.session import NOTE_LETTERS
from .keys import MARK_SHEET, bindings

if TYPE_CHECKING:
    from textual.app import ComposeResult
    from textual.binding import BindingType

TITLE = "A mark at this moment"
NOTE = "what happens now"


class MarkSheet(ModalScreen["str | None"]):
    """One line to write on: enter returns it, escape returns None and sets no mark."""

    DEFAULT_CSS = """
    MarkSheet { align: center bottom; }
    MarkSheet > Vertical {
        width: 95%; max-width: 120; height: 3; border: round $primary; background: $surface;
        padding: 0 1;
    }
    MarkSheet Input { padding: 0; background: $surface; }
    """
    BINDINGS: ClassVar[list[BindingType]] = bindings(MARK_SHEET)

    def compose(self) -> ComposeResult:
        """Lay out the line."""
        with Vertical() as frame:
            frame.border_title = TITLE
            frame.border_subtitle = "enter sets it · esc does not"
            yield Input(placeholder=NOTE, max_length=NOTE_LETTERS, compact=True, id="note")

    def on_mount(self) -> None:
        """Give the line the keys."""
        self.query_one(Input).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Return what was written."""
        self.dismiss(event.value)

    def action_close(self) -> None:
        """Set no mark."""
        self.dismiss(None)
