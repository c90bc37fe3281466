"""The keys, on a sheet of their own."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from .sheet import Sheet

if TYPE_CHECKING:
    from ...model.reading import PoolReading

KEYS = (
    (
        "Everywhere",
        (
            ("q", "quit; closes what is open over the dashboard"),
            ("space", "hold the screen or the replay, and go on again"),
            ("c", "begin a capture, the recent past included, and end it"),
            ("p", "the next pool"),
            ("s", "what the scheduler promises and keeps; the queue that workers share"),
            ("t", "steals, or hand-overs of a shared queue, on the whole screen"),
            ("?", "these keys"),
        ),
    ),
    (
        "Workers",
        (
            ("up, down", "choose a worker"),
            ("enter", "open it: its time split, its past, its stack"),
            ("tab", "go on to the matrix"),
        ),
    ),
    (
        "Matrix",
        (
            ("arrows", "choose a cell; its four counts stand below"),
            ("w", "what is counted: steals, attempts, attempts that found nothing, lost races"),
            ("u", "unit: a count, per second, a share of the row"),
            ("n", "numbers or colours"),
            ("o", "order: by worker, or most traffic first"),
            ("g", "groups of workers, or every worker"),
        ),
    ),
    (
        "Promises",
        (
            ("up, down", "choose a promise"),
            ("enter", "open it: purpose, source, figures, moments"),
            ("j, b", "in a replay: the next moment at which it was broken, and back"),
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
