"""How numbers, names and shares are written, once for every view."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size

from ..model.vocabulary import Category, CoreTimeSource, ExternalCategory, WorkerState
from .palette import SPARK

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ..model.shares import AnyCategory, Share

CATEGORY_NAMES: dict[AnyCategory, str] = {
    Category.WORKING: "working",
    Category.BLOCKED: "blocked",
    Category.RUN_QUEUE_WAIT: "run-queue wait",
    Category.DISPATCH: "dispatch",
    Category.SEARCHING: "searching",
    Category.WAKING: "waking",
    Category.STARVED: "starved",
    Category.NO_WORK: "no work",
    ExternalCategory.PARKED: "parked",
    ExternalCategory.OFF_CORE: "off the core",
}
"""The categories of worker time; the last two only of external pools."""
STATE_NAMES = {state: str(state) for state in WorkerState} | {WorkerState.WORKING: "in a task"}
"""What a worker is doing at the end of a window; "working" is a category of time."""
NONE_HERE = "_"
"""The bar of a value of 0; an unknown value is blank."""
OF_THE_MAIN_MODULE = re.compile(r"(?<![\w.])__main__\.(?!py\b)")
LOPSIDED = 3
"""An interval whose two sides differ by more than so many hundredths is written as (low–high)."""


def seconds(value: float) -> str:
    """Write a duration in the unit that reads best: 0.4 µs, 12 ms, 3.1 s, 4 min 5 s, 2 h 3 min."""
    if 0 < value < 0.05e-6:
        return "<0.1 µs"
    if value < 1e-3:
        return f"{value * 1e6:.0f} µs" if value >= 1e-6 or not value else f"{value * 1e6:.1f} µs"
    if value < 1:
        return f"{value * 1e3:.0f} ms" if value >= 0.01 else f"{value * 1e3:.1f} ms"
    if value < 60:
        return f"{value:.1f} s"
    if value < 3600:
        return f"{int(value // 60)} min {int(value % 60)} s"
    return f"{int(value // 3600)} h {int(value % 3600 // 60)} min"


def maybe(value: float | None) -> str:
    """Write a duration, a dash where there is none."""
    return "–" if value is None else seconds(value)


def category_name(category: AnyCategory, core_time: CoreTimeSource = CoreTimeSource.KERNEL) -> str:
    """Write a category's name. Working that nothing distinguishes from blocked is time in tasks."""
    if category == Category.WORKING and core_time == CoreTimeSource.ASSUMED:
        return "in tasks"
    return CATEGORY_NAMES[category]


def count(value: float) -> str:
    """Write a count shortly: 950, 12.3k, 4.1M."""
    if value < 10_000:
        return f"{value:.0f}"
    for divisor, unit in ((1e3, "k"), (1e6, "M"), (1e9, "G")):
        scaled = value / divisor
        if scaled < 999.5 or unit == "G":
            break
    return f"{scaled:.1f}{unit}" if scaled < 99.95 else f"{scaled:.0f}{unit}"


def share(value: float) -> str:
    """Write a share as a percentage; one above 0 and under half a per cent is <1 %."""
    if 0 < value < 0.005:
        return "<1 %"
    return f"{value * 100:.0f} %"


def amount(part: Share) -> str:
    """Write a share with its interval: 25 %, 41 % ± 12, or 3 % (0–36) where its sides differ
    much."""
    if part.estimate is None:
        return share(part.value)
    low, value, high = (
        round(100 * number) for number in (part.estimate.low, part.value, part.estimate.high)
    )
    if low == high:
        return share(part.value)
    below, above = value - low, high - value
    if abs(below - above) > LOPSIDED:
        return f"{value} % ({low}–{high})"
    return f"{value} % ± {max(below, above)}"


def exact_amount(part: Share) -> str:
    """Write a share with its interval, to one tenth of a per cent where it is exact."""
    return f"{part.value * 100:.1f} %" if part.estimate is None else amount(part)


def bars(values: Sequence[float | None], largest: float, width: int = 1) -> str:
    """Return values up to `largest` as bars of `width` cells: `_` for 0, blank where not known."""
    glyphs = []
    for value in values:
        if value is None:
            glyphs.append(" ")
        elif value <= 0 or largest <= 0:
            glyphs.append(NONE_HERE)
        else:
            glyphs.append(SPARK[max(1, min(8, round(8 * value / largest)))])
    return "".join(glyph * width for glyph in glyphs)


def number_of(value: int, noun: str) -> str:
    """Write a number with its noun, which gets an s or es for any number but one: 3 workers."""
    ending = "es" if noun.endswith(("s", "ch")) else "s"
    return f"{value} {noun}" if value == 1 else f"{value} {noun}{ending}"


def without_main(text: str) -> str:
    """Return text in which what is of the main module stands without ``__main__.``, as a screen has
    room for little. Reports and JSON have the full names."""
    return OF_THE_MAIN_MODULE.sub("", text) if "__main__." in text else text


def shortened(name: str, cells: int, among: Iterable[str] = ()) -> str:
    """Return a name in at most `cells` cells of a terminal; a longer one loses its middle.

    `among`: other names shown beside it. Where one of them would be shortened to the same text, the
    part in which this name differs from the most similar one stays.
    """
    if cell_len(name) <= cells or cells < 1:
        return name if cells > 0 else ""
    short = _without_middle(name, cells)
    common = [
        _same_letters(name, other)
        for other in among
        if other != name and cell_len(other) > cells and _without_middle(other, cells) == short
    ]
    if not common or cells < 4:
        return short
    start = max(0, min(max(common) - 1, len(name) - (cells - 1)))
    rest = name[start:]
    return f"…{rest}" if cell_len(rest) < cells else f"…{set_cell_size(rest, cells - 2)}…"


def short_kind(kind: str, cells: int, among: Sequence[str] = ()) -> str:
    """Return a kind of task in at most `cells` cells: without its first modules and classes where
    that is enough and no other kind in `among` ends so, else `shortened`."""
    short = kind
    while cell_len(short) > cells and "." in short:
        short = short.partition(".")[2]
    others = [other for other in among if other != kind]
    if cell_len(short) > cells or any(other.endswith(short) for other in others):
        return shortened(kind, cells, among)
    return short


def _without_middle(name: str, cells: int) -> str:
    """Return the beginning and, twice as long, the end: names differ most at their end."""
    begin = (cells - 1) // 3
    end = set_cell_size(name[::-1], cells - 1 - begin)[::-1]
    return f"{set_cell_size(name, begin)}…{end}"


def _same_letters(one: str, other: str) -> int:
    """Return how many letters two names have in common at their beginning."""
    pairs = zip(one, other, strict=False)
    return next((place for place, (a, b) in enumerate(pairs) if a != b), min(len(one), len(other)))
