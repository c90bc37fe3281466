"""The lowest line of a screen: what has just happened, or must be known, or else the keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from ..formatting import clean, count
from .matrix import HINTS as MATRIX_HINTS

if TYPE_CHECKING:
    from ...model.reading import Reading

MESSAGE_SECONDS = 6.0
HINTS = "q quit · space pause · c capture · s promises · t steals · ? keys"
HINTS_MATRIX = f"{MATRIX_HINTS} · t large · ? keys"
HINTS_QUEUE = "q quit · space pause · c capture · s the queue · ? keys"
HINTS_STEALS = f"t back · {MATRIX_HINTS} · ? keys"
HINTS_EXTERNAL = "q quit · space pause · c capture · enter stack · ? keys"


class LowerLine:
    """What the lowest line says. capture: the path of an open capture, "" without one.

    place: where a replay has been taken to, "" once it goes on.
    """

    def __init__(self) -> None:
        self.capture = ""
        self.place = ""
        self._message = ("", 0.0)

    def say(self, message: str, now: float) -> None:
        """Say something for a few seconds; "" takes back what is being said."""
        self._message = (clean(message), now + MESSAGE_SECONDS)

    def text(self, reading: Reading, hints: str, now: float, cells: int) -> Text:
        """Return the line: the most urgent thing first, the keys where there is nothing else."""
        message, until = self._message
        source = reading.source
        if message and now < until:
            return Text(message, style="bold")
        if source.warning:
            return Text(clean(source.warning), style="bold")
        if self.capture:
            return Text(f"capturing to {clean(self.capture)}, c ends it", style="bold")
        if self.place:
            return Text(f"{clean(self.place)} · j next · b back · space plays on", style="bold")
        more = " · p pool" if len(reading.pools or reading.sampled) > 1 else ""
        keys = (HINTS_EXTERNAL if source.sampled else hints) + more
        left_out = sum(one.count for one in source.skipped)
        notes = [clean(source.note)] if source.note else []
        notes += [f"{count(left_out)} frames or rows left out"] if left_out else []
        both = " · ".join([*notes, keys])
        if not notes or len(both) <= cells:
            return Text(both)
        return Text(" · ".join([*notes, keys.split(" · ")[0], "? keys"]))
