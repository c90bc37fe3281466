"""The keys, on a sheet of their own."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text

from .keys import KEYS_SHEET, LISTED, bindings
from .sheet import Sheet

if TYPE_CHECKING:
    from textual.binding import BindingType

    from ...model.reading import PoolReading

KEY_CELLS = 11


class KeysSheet(Sheet):
    """All keys; the key that opened it closes it."""

    BINDINGS: ClassVar[list[BindingType]] = bindings(KEYS_SHEET)

    def on_mount(self) -> None:
        """Draw the keys, which never change."""
        self.part("text").update(keys_text())

    def show(self, pool: PoolReading) -> None:
        """Leave the keys as they are."""


def keys_text() -> Text:
    """Return every key and what it does."""
    text = Text()
    for place, (where, keys) in enumerate(LISTED):
        text.append(f"{'' if place == 0 else chr(10)}{where}\n", style="bold")
        for key in (key for key in keys if key.does):
            text.append(f"  {key.shown or key.keys:<{KEY_CELLS}}", style="bold")
            text.append(f"{key.does}\n")
    return text
