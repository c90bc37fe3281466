"""The lowest line of a screen: what has just happened, what must be known, or the keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from ..foreign_text import clean
from ..formatting import count
from .matrix import HINTS as MATRIX_HINTS

if TYPE_CHECKING:
    from ...model.reading import Reading
    from ...session.session import Notices

BETWEEN, LEAST_KEYS = " · ", 3
HINTS = "q quit · space pause · c capture · s promises · t steals · i what if · ? keys"
HINTS_MATRIX = f"{MATRIX_HINTS} · t large · ? keys"
HINTS_QUEUE = "q quit · space pause · c capture · s the queue · i what if · ? keys"
HINTS_STEALS = f"t back · {MATRIX_HINTS} · ? keys"
HINTS_REPLAY = "q quit · space pause · l go to · , . a second · + - speed · s promises · ? keys"
HINTS_EXTERNAL = "q quit · space pause · c capture · enter stack · ? keys"


def lower_line(reading: Reading, notices: Notices, hints: str, cells: int) -> Text:
    """Return the line: the most urgent thing first, the keys where there is nothing else."""
    source = reading.source
    if notices.message:
        return Text(clean(notices.message), style="bold")
    if source.warning:
        return Text(clean(source.warning), style="bold")
    if notices.capture:
        return Text(f"capturing to {clean(notices.capture)}, c ends it", style="bold")
    if notices.place:
        return Text(f"{clean(notices.place)} · j next · b back · space plays on", style="bold")
    more = " · p pool" if len(reading.pools or reading.external) > 1 else ""
    keys = (HINTS_EXTERNAL if source.is_external else hints) + more
    left_out = sum(one.count for one in source.skipped)
    notes = [clean(source.note)] if source.note else []
    notes += [f"{count(left_out)} frames or rows left out"] if left_out else []
    both = " · ".join([*notes, keys])
    if not notes:
        return Text(_fitting(keys, cells))
    if len(both) <= cells:
        return Text(both)
    return Text(" · ".join([*notes, keys.split(" · ")[0], "? keys"]))


def _fitting(keys: str, cells: int) -> str:
    """Return the keys without those after the first that do not fit."""
    parts = keys.split(BETWEEN)
    while len(BETWEEN.join(parts)) > cells and len(parts) > LEAST_KEYS:
        del parts[1]
    return BETWEEN.join(parts)
