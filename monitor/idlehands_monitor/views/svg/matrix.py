"""A matrix as SVG: a cell for each pair, its value in it where there is room, and on hover."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..palette import BLANK, CIVIDIS
from .marked import marked
from .styles import SMALL_CELL, step_class

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..sections.facts import Matrix

MOST_WITH_VALUES = 24
"""A matrix of more columns has smaller cells, without values in them."""
LARGE_WIDTH, LARGE_HEIGHT = 32, 20
LETTER, PADDING = 7, 6
"""Pixels of a digit, about, and around a value."""
NAMES_WIDTH, NAMES_HEIGHT = 48, 16
SCALE_HEIGHT = 24
EVERY = 4
"""Beside small cells only every fourth row and column has its name."""
BRIEFLY = {"took from": "←", "handed to": "→"}
"""What stands between the workers of a small cell. A large matrix has thousands of cells."""


@dataclass(frozen=True, slots=True)
class _Size:
    """The size of cells in pixels. step: every how many-th row and column has its name."""

    width: int
    height: int
    step: int

    @property
    def is_large(self) -> bool:
        return self.step == 1


def matrix_svg(matrix: Matrix) -> str:
    """Return the cells of a matrix, without its totals."""
    size = _size(matrix)
    columns, rows = len(matrix.columns) - 1, len(matrix.rows) - 1
    heads = "".join(
        f'<text x="{NAMES_WIDTH + (place + 0.5) * size.width:g}" y="11" text-anchor="middle">'
        f"{marked(matrix.columns[place])}</text>"
        for place in range(0, columns, size.step)
    )
    lines = "".join(
        f'<g transform="translate(0 {NAMES_HEIGHT + row * size.height})">'
        f"{''.join(_row(matrix, row, size))}</g>"
        for row in range(rows)
    )
    across, down = NAMES_WIDTH + size.width * columns, NAMES_HEIGHT + size.height * rows
    scale = ""
    if not size.is_large:
        scale, down = _scale(matrix, down), down + SCALE_HEIGHT
    name = "matrix" if size.is_large else "matrix small"
    return (
        f'<svg class="{name}" width="{across}" height="{down}" role="img" '
        f'aria-label="{marked(matrix.title)}">{heads}{lines}{scale}</svg>'
    )


def _scale(matrix: Matrix, top: int) -> str:
    """Return the colours of all steps, from 0 to the largest value."""
    swatches = "".join(
        f'<rect class="{step_class(step)}" x="{NAMES_WIDTH + step * SMALL_CELL}" y="{top + 10}"/>'
        for step in range(len(CIVIDIS))
    )
    right = NAMES_WIDTH + len(CIVIDIS) * SMALL_CELL + 6
    return (
        f'<text x="{NAMES_WIDTH - 6}" y="{top + 19}" text-anchor="end">0</text><g>{swatches}</g>'
        f'<text x="{right}" y="{top + 19}">{marked(matrix.most)}</text>'
    )


def _size(matrix: Matrix) -> _Size:
    if len(matrix.columns) - 1 > MOST_WITH_VALUES:
        return _Size(SMALL_CELL, SMALL_CELL, EVERY)
    widest = max(len(text) for row in matrix.cells for text in row)
    return _Size(max(LARGE_WIDTH, LETTER * widest + PADDING), LARGE_HEIGHT, 1)


def _row(matrix: Matrix, row: int, size: _Size) -> Iterator[str]:
    """Yield the name and the cells of a row."""
    if row % size.step == 0:
        middle, name = f"{size.height / 2 + 4:g}", marked(matrix.rows[row])
        yield f'<text x="{NAMES_WIDTH - 6}" y="{middle}" text-anchor="end">{name}</text>'
    yield from _large_cells(matrix, row, size) if size.is_large else _small_cells(matrix, row, size)


def _large_cells(matrix: Matrix, row: int, size: _Size) -> Iterator[str]:
    """Yield each cell of a row with its value in it."""
    cells = zip(matrix.columns[:-1], matrix.cells[row], matrix.steps[row], strict=False)
    for place, (column, value, step) in enumerate(cells):
        if step == BLANK:
            continue
        left, text = NAMES_WIDTH + place * size.width, marked(value)
        about = f"{marked(matrix.rows[row])} {matrix.between} {marked(column)}: {text}"
        yield (
            f'<rect class="{step_class(step)}" x="{left}" width="{size.width}" '
            f'height="{size.height}"><title>{about}</title></rect>'
            f'<text x="{left + size.width / 2:g}" y="{size.height / 2 + 4:g}" '
            f'text-anchor="middle">{text}</text>'
        )


def _small_cells(matrix: Matrix, row: int, size: _Size) -> Iterator[str]:
    """Yield the cells of a row by their step, so that each step is written once.

    A cell that is 0 is the row's own ground: most of a large matrix may be 0.
    """
    whole = size.width * (len(matrix.columns) - 1)
    ground = f"M{NAMES_WIDTH} 0h{whole}v{size.height}h-{whole}z"
    yield f'<path class="{step_class(0)}" d="{ground}"/>'
    between = f"{marked(matrix.rows[row])}{BRIEFLY[matrix.between]}"
    by_step: dict[int, list[str]] = {}
    cells = zip(matrix.columns[:-1], matrix.cells[row], matrix.steps[row], strict=False)
    for place, (column, value, step) in enumerate(cells):
        if step not in (0, BLANK):
            about = f"<title>{between}{marked(column)}: {marked(value)}</title>"
            cell = f'<rect x="{NAMES_WIDTH + place * size.width}">{about}</rect>'
            by_step.setdefault(step, []).append(cell)
    for step, drawn in by_step.items():
        yield f'<g class="{step_class(step)}">{"".join(drawn)}</g>'
