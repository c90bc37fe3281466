"""The line that says from when to when the figures are, and the last mark among them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..foreign_text import clean
from ..times import second, window_phrase
from .drawing import fit
from .line_view import LineView
from .strips import style

if TYPE_CHECKING:
    from textual.strip import Strip

    from ...model.reading import Reading

MARK = "◆"
NOTE_LETTERS = 60


def window_text(reading: Reading) -> str:
    """Return the window of a reading, and its last mark where there is one."""
    clock = reading.source.clock
    text = clean(window_phrase(clock, reading.window_ns))
    if reading.marks and clock is not None:
        last = reading.marks[-1]
        text += f" · {MARK} {second(clock, last.at_ns)}: {clean(last.note, NOTE_LETTERS)}"
    return text


class WindowLine(LineView):
    """One line between the headline and the workers."""

    DEFAULT_CSS = "WindowLine { height: 1; }"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._text = ""

    def show(self, reading: Reading) -> None:
        """Draw a reading."""
        text = window_text(reading)
        if text != self._text:
            self._text = text
            self.refresh()

    def draw_line(self, _y: int, cells: int) -> Strip:
        """Draw the only line."""
        return self.line([(fit(f" {self._text}", cells), style(dim=True))], cells)
