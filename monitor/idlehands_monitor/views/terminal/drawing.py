"""Pure drawing: numbers to cells. No Textual here, so it is tested without an app."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size

from ...model.vocabulary import WorkerState
from ..foreign_text import clean
from ..formatting import seconds, short_kind, without_main
from ..palette import SPARK

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.shares import AnyCategory, SharesOfTime
    from ...model.workers import WorkerReading

UNITS = ((1_000, "k"), (1_000_000, "M"), (1_000_000_000, "G"))


def split_cells(values: Sequence[float], cells: int) -> list[int]:
    """Share `cells` among values in proportion, by largest remainders; they add up to `cells`.

    All zero when every value is.
    """
    total = sum(values)
    if total <= 0 or cells <= 0:
        return [0] * len(values)
    exact = [value * cells / total for value in values]
    shares = [math.floor(share) for share in exact]
    missing = [share - value for share, value in zip(shares, exact, strict=True)]
    by_remainder = sorted(range(len(values)), key=missing.__getitem__)  # of equal ones the first
    for place in by_remainder[: cells - sum(shares)]:
        shares[place] += 1
    return shares


def category_cells(time: SharesOfTime, cells: int) -> list[tuple[AnyCategory, int]]:
    """Return (category, cells) in order for a stacked bar; those without a cell are left out."""
    shares = time.shares
    parts = split_cells([share.value for share in shares], cells)
    return [(share.category, part) for share, part in zip(shares, parts, strict=True) if part]


@lru_cache(maxsize=512)
def column_cells(time: SharesOfTime, cells: int) -> list[AnyCategory]:
    """Return the categories of a stacked column of `cells` cells from the bottom up."""
    return [category for category, share in category_cells(time, cells) for _ in range(share)]


def spark(values: Sequence[float], cells: int) -> str:
    """Return the last `cells` shares (0 to 1) as one line of bars, right-aligned.

    What was not recorded is blank; any share above 0 shows at least the lowest bar.
    """
    recent = list(values)[-cells:] if cells > 0 else []
    bars = []
    for value in recent:
        if math.isnan(value) or value <= 0:
            bars.append(SPARK[0])
        else:
            bars.append(SPARK[max(1, min(8, round(value * 8)))])
    return "".join(bars).rjust(max(0, cells))


def doing_now(worker: WorkerReading, cells: int = 60, among: Sequence[str] = ()) -> str:
    """Return what a worker is doing and for how long, in at most `cells` cells.

    Where that is too long, the task's name is shortened so that it differs from those in `among`.
    """
    doing = without_main(clean(worker.doing))
    lasts = f" {seconds(worker.for_s)}" if worker.for_s > 0 else ""
    if worker.state == WorkerState.WORKING:
        return f"{short_kind(doing, cells - len(lasts), among)}{lasts}"
    state = f"{worker.state}{lasts}"
    room = cells - len(state) - 2
    return f"{state}, {short_kind(doing, room, among)}" if doing and room > 1 else state


def fit(text: str, cells: int) -> str:
    """Return `text` cut or padded to exactly `cells` cells; wide letters take two."""
    if not text.isascii() and cell_len(text) != len(text):
        if cell_len(text) > cells > 0:
            return set_cell_size(text, cells - 1) + "…"
        return set_cell_size(text, max(0, cells))
    if len(text) > cells:
        return text[: max(0, cells - 1)] + "…" if cells > 0 else ""
    return text.ljust(cells)


def cell_amount(value: float, unit: str, cells: int) -> str:
    """Return a matrix's value right-aligned in `cells`: a count, a rate, or a percentage.

    Blank for 0 and where it does not fit; a dot for NaN, which says nothing.
    """
    if value != value:
        return "·".center(cells)
    if unit == "per second" and 0 < value < 9.95:
        rate = "<.1" if value < 0.05 else f"{value:.1f}"
        if len(rate) < cells:
            return rate.rjust(cells - 1) + " "
    if unit == "share of the row" and value > 0:
        percent = "<1" if value < 0.005 else f"{value * 100:.0f}"
        return percent.rjust(cells - 1) + " " if len(percent) < cells else " " * cells
    return cell_number(round(value), cells)


@lru_cache(maxsize=8192)
def cell_number(value: int, cells: int) -> str:
    """Return a count right-aligned in `cells`, shortened with k or M, or blanks if it cannot."""
    if value == 0:
        return " " * cells
    texts = [str(value)]
    texts += [f"{value // divisor}{unit}" for divisor, unit in UNITS if value >= divisor]
    fitting = next((text for text in texts if len(text) < cells), "")
    return fitting.rjust(cells - 1) + " "
