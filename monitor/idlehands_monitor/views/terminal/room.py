"""How the dashboard shares its room out between its parts."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from textual.geometry import Size
    from textual.widget import Widget

    from ...model.reading import PoolReading
    from .matrix import MatrixView
    from .queue_view import QueueView

NARROW_MATRIX = 29
WIDEST_QUEUE = 64
LEAST_WIDTH_FOR_MATRIX = 72
NARROW_SCREEN = 110
HEADLINE, MOST_HEADLINE = 4, 7
"""Lines of the headline: those that it always has, and the most where the screen has room."""
ROOMY_SCREEN = 28
"""Lines of a screen on which a long headline may take them from the workers."""
HEADS = 1
ABOVE_AND_BELOW = 9 + HEADLINE
LINES_AROUND_MATRIX = 5
LEAST_LOWER, MOST_LOWER = 7, 30
TALL_SCREEN = 45


def fit_parts(
    screen: Size,
    pool: PoolReading | None,
    matrix: MatrixView,
    queue: QueueView,
    lower_part: Widget,
) -> None:
    """Make the matrix (of a pool that steals) or the queue (of any other) as wide as it needs, and
    the lower part as high as the lines that are left."""
    workers = len(pool.workers) if pool is not None else 0
    most = max(NARROW_MATRIX, screen.width // 2 - 6)
    if screen.width < NARROW_SCREEN:
        most = NARROW_MATRIX
    fits = screen.width >= LEAST_WIDTH_FOR_MATRIX
    steals = pool is None or pool.has_steals
    width = max(NARROW_MATRIX, min(most, matrix.wanted_cells(pool, most))) if fits else 0
    _set_size(matrix, width=width if steals else 0)
    _set_size(queue, width=0 if steals or not fits else min(most, WIDEST_QUEUE))
    height = lower_height(screen.height, workers)
    queue.with_kinds = not height
    _set_size(lower_part, height=height)


def headline_lines(height: int, workers: int) -> int:
    """Return the most lines of a headline: those that the workers leave, on a large screen more."""
    if height >= ROOMY_SCREEN:
        return MOST_HEADLINE
    left = height - ABOVE_AND_BELOW - HEADS - workers
    return max(HEADLINE, min(MOST_HEADLINE, HEADLINE + left))


def lower_height(height: int, workers: int) -> int:
    """Return the lines of the lower part: what the workers leave, 0 where that is too little."""
    middle = height - ABOVE_AND_BELOW
    left = middle - workers - LINES_AROUND_MATRIX
    if left >= LEAST_LOWER:
        return min(left, MOST_LOWER)
    return LEAST_LOWER + 2 if height >= TALL_SCREEN else 0


def _set_size(widget: Widget, width: int | None = None, height: int | None = None) -> None:
    """Set a size only where it changes: setting it lays the whole screen out again."""
    styles = widget.styles
    if width is not None and (styles.width is None or styles.width.value != width):
        styles.width = width
        widget.display = width > 0
    if height is not None and (styles.height is None or styles.height.value != height):
        styles.height = height
        widget.display = height > 0
