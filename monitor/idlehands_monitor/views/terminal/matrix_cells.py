"""Pure drawing of a matrix: its lines as runs of text, and the room that they take."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..grid import cell_sentence, name_of, place_of
from ..palette import BLANK, DENSITY
from .drawing import cell_amount, fit
from .strips import STEP_STYLES, STEP_STYLES_AT_CURSOR, Run, style

if TYPE_CHECKING:
    from rich.style import Style

    from ...model.reading import PoolReading
    from ..grid import Grid

NARROWEST_CELL, NUMBER_CELL, WIDEST_CELL = 2, 5, 6
FEW_COLUMNS = 16
"""Up to so many columns are made narrow enough to fit, numbers or not; more columns scroll."""
WIDE, WIDEST = 64, 100
"""From this width on, the counts under the cursor are one long line."""
HEADS, SCALE = 1, 1
GROUP_LABEL = 8
UNIT_MARKS = {"per second": "/s", "share of the row": " %"}


@dataclass(frozen=True, slots=True)
class MatrixStyle:
    """How a matrix is drawn. label, width: cells of the rows' names and of a column.

    numbers: numbers instead of cells. dense: glyphs of rising density instead of colours.
    """

    label: int
    width: int
    numbers: bool
    dense: bool


def cell_width(columns: int, cells: int, label: int = 4, least: int = NARROWEST_CELL) -> int:
    """Return how many cells each of so many columns gets in `cells` cells beside the labels."""
    return max(least, min(WIDEST_CELL, (cells - label) // max(1, columns)))


def measures(
    rows: tuple[range, ...], columns: int, cells: int, *, numbers: bool
) -> tuple[int, int]:
    """Return the cells of the rows' names and of a column in `cells` cells."""
    label = max((len(name_of(row)) for row in rows), default=3) + 1
    least = NUMBER_CELL if numbers and columns > FEW_COLUMNS else NARROWEST_CELL
    return label, cell_width(columns, cells, label, least)


def most_groups(cells: int, lines: int, *, numbers: bool) -> int:
    """Return how many rows and columns are readable at once in so much room."""
    around = HEADS + SCALE + (2 if cells >= WIDE else 6)
    width = NUMBER_CELL if numbers else NARROWEST_CELL
    return max(1, min((cells - GROUP_LABEL) // width, lines - around))


def title_lines(title: tuple[str, ...], cells: int) -> list[str]:
    """Return what is shown as lines, as many facts on each as fit."""
    lines = [""]
    for fact in title:
        joined = f"{lines[-1]}, {fact}" if lines[-1] else fact
        if len(joined) <= cells:
            lines[-1] = joined
        else:
            lines += textwrap.wrap(fact, max(8, cells))
    return [line for line in lines if line]


def sentence_lines(pool: PoolReading, grid: Grid, thief: int, victim: int, cells: int) -> list[str]:
    """Return the sentence on the cell of two workers, as one line or more."""
    rows = grid.rows[place_of(thief, grid.rows)]
    columns = grid.columns[place_of(victim, grid.columns)]
    sentence = cell_sentence(pool, rows, columns, short=cells < WIDEST)
    lines = textwrap.wrap(sentence, max(8, cells))
    usual = 1 if cells >= WIDE else 3 if grid.is_grouped else 2
    return lines + [""] * (usual - len(lines))


def heads(grid: Grid, matrix_style: MatrixStyle, columns: range) -> str:
    """Return the line of the columns' names: of each group its first worker."""
    names = [str(grid.columns[column][0]) for column in columns]
    longest = max(map(len, names), default=1)
    every = 1 if longest < matrix_style.width else 5
    letters = [" "] * (matrix_style.label + matrix_style.width * len(columns) + longest)
    for place, (column, name) in enumerate(zip(columns, names, strict=True)):
        start = matrix_style.label + place * matrix_style.width
        if every == 1:  # right-aligned, like the numbers below it
            letters[start : start + matrix_style.width - 1] = name.rjust(matrix_style.width - 1)
        elif column % every == 0:  # over narrow columns from its own on
            letters[start : start + longest] = name.ljust(longest)
    return "".join(letters).rstrip()


def row_runs(
    grid: Grid, levels: list[int], row: int, columns: range, here: int, matrix_style: MatrixStyle
) -> list[Run]:
    """Return the runs of a row, the cursor in column `here`: cells that look alike make one."""
    label = f"{name_of(grid.rows[row]):>{matrix_style.label - 1}} "
    runs: list[Run] = [(label, style(dim=True))]
    values = grid.values[row].tolist() if matrix_style.numbers else levels
    before, text = None, ""
    for column in columns:
        level = levels[column]
        now = _style(level, matrix_style, at_cursor=column == here)
        if now is not before and text:
            runs.append((text, before))
            text = ""
        before = now
        if level == BLANK:
            text += "·".center(matrix_style.width)
        elif matrix_style.numbers:
            text += cell_amount(values[column], grid.unit, matrix_style.width)
        else:
            text += (DENSITY[level] if matrix_style.dense else " ") * matrix_style.width
    return [*runs, (text, before)]


def _style(level: int, matrix_style: MatrixStyle, *, at_cursor: bool) -> Style:
    if level == BLANK:
        return style(reverse=at_cursor, dim=True)
    if matrix_style.dense:
        return style(reverse=at_cursor, bold=at_cursor)
    return (STEP_STYLES_AT_CURSOR if at_cursor else STEP_STYLES)[level]


def scale_runs(grid: Grid, matrix_style: MatrixStyle, cells: int) -> list[Run]:
    """Return the steps from nothing to the largest value, and that value in its unit."""
    runs: list[Run] = [("0 ", style(dim=True))]
    for level in range(BLANK):
        glyph = DENSITY[level] * 2 if matrix_style.dense else "  "
        runs.append((glyph, None if matrix_style.dense else STEP_STYLES[level]))
    largest = cell_amount(grid.largest, grid.unit, 12).strip() or "0"
    unit = UNIT_MARKS.get(grid.unit, "")
    return [*runs, (fit(f" {largest}{unit}", max(0, cells - 20)), style(dim=True))]
