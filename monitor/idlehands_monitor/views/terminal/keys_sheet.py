"""The keys, on a sheet of their own."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from .sheet import Sheet

if TYPE_CHECKING:
    from ...analysis.readings import PoolReading

KEYS = (
    (
        "Everywhere",
        (
            ("q", "quit; closes what is open over the dashboard"),
            ("space", "hold the screen or the replay still, and go on"),
            ("c", "begin a capture with the recent past, and end it"),
            ("p", "the next pool"),
            ("s", "what the scheduler promises, and whether it keeps it"),
            ("t", "steals: a large matrix, totals, who feeds whom, over time"),
            ("?", "these keys"),
        ),
    ),
    (
        "Workers",
        (
            ("up, down", "choose a worker"),
            ("enter", "open it: its time, its past, its stack"),
            ("tab", "go on to the matrix"),
        ),
    ),
    (
        "Matrix",
        (
            ("arrows", "choose a cell; its four counts are told below"),
            ("w", "what: steals, looks, those that found nothing, lost races"),
            ("u", "unit: a count, per second, as a share of the row"),
            ("n", "numbers or cells"),
            ("o", "order: by worker, or those of most traffic first"),
            ("g", "groups of workers, or every worker, which may scroll"),
        ),
    ),
    (
        "Promises",
        (
            ("up, down", "choose a promise"),
            ("enter", "open it: purpose, source, figures, moments"),
            ("j, b", "in a replay: to the next moment that broke it, and back"),
        ),
    ),
)
KEY_CELLS = 11


class KeysSheet(Sheet):
    """All keys; the key that opened it closes it."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("question_mark,enter", "close", "close")]

    def on_mount(self) -> None:
        """Draw the keys, which never change."""
        self.part("text").update(keys_text())

    def show(self, pool: PoolReading) -> None:
        """Leave the keys as they are."""


def keys_text() -> Text:
    """Return every key and what it does."""
    text = Text()
    for place, (where, keys) in enumerate(KEYS):
        text.append(f"{'' if place == 0 else chr(10)}{where}\n", style="bold")
        for key, what in keys:
            text.append(f"  {key:<{KEY_CELLS}}", style="bold")
            text.append(f"{what}\n")
    return text
