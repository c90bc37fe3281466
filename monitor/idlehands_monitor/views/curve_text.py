"""The curve over numbers of workers in characters, for plain text, Markdown and the terminal.

Each part has a glyph of its own, so that nothing depends on a colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .curve import Axes, Ink, axes_of, bound, bounds_of, drawn_points, key_of
from .quantities import UNIT_NAMES, tick

if TYPE_CHECKING:
    from ..model.whatif import CurveReading, Unit

Run = tuple[str, Ink]
Row = list[Run]

GLYPHS = {
    Ink.PREDICTED: "●",
    Ink.INTERVAL: "│",
    Ink.NOW: "N",
    Ink.BEST: "B",
    Ink.WORK_LAW: "/",
    Ink.SPAN: "-",
    Ink.GREEDY: "~",
}
BETWEEN_POINTS = "·"
WORKERS_NAME = "workers (both axes logarithmic)"
LEAST_CELLS, LEAST_LINES = 50, 5
"""In less room no curve is drawn."""
LINES_AROUND = 4
"""Lines of a curve besides its plot: the name of the values, the axis, its numbers, its name."""


def curve_rows(curve: CurveReading, unit: Unit, cells: int, lines: int) -> list[Row]:
    """Return a curve in at most `cells` cells and in `lines` lines, and its key below it.

    Nothing is returned where the curve has fewer than two points or the room is too small. The key
    may take more lines: one for each of its parts.
    """
    axes = axes_of(curve)
    height = lines - LINES_AROUND
    if axes is None or cells < LEAST_CELLS or height < LEAST_LINES:
        return []
    labels = _value_labels(axes, unit, height)
    margin = max(map(len, labels.values())) + 1
    plot = _Plot(axes, cells - margin - 1, height)
    plot.draw(curve)
    rows: list[Row] = [[(UNIT_NAMES[unit], Ink.AXIS)]]
    for line in range(height):
        label = labels.get(line, "")
        rows.append([(f"{label:>{margin}}{'┤' if label else '│'}", Ink.AXIS), *plot.runs(line)])
    blank = " " * margin
    rows += [[(f"{blank}{text}", Ink.AXIS)] for text in plot.worker_axis()]
    rows.append([(f"{blank} {WORKERS_NAME}", Ink.AXIS)])
    return rows + [_key_row(ink, text) for ink, text in key_of(curve, unit, axes)]


def _key_row(ink: Ink, text: str) -> Row:
    return [(GLYPHS[ink], ink), (f" {text}", Ink.AXIS)]


def curve_text(curve: CurveReading, unit: Unit, cells: int, lines: int) -> list[str]:
    """Return the same as plain lines."""
    rows = curve_rows(curve, unit, cells, lines)
    return ["".join(text for text, _ in row).rstrip() for row in rows]


def _value_labels(axes: Axes, unit: Unit, height: int) -> dict[int, str]:
    """Return the label of each line that has one, line 0 at the top."""
    return {_line(axes, value, height): tick(value, unit) for value in axes.value_ticks}


def _line(axes: Axes, value: float, height: int) -> int:
    return height - 1 - round(axes.up(value) * (height - 1))


class _Plot:
    """The cells of a curve; what is drawn later covers what was drawn before."""

    def __init__(self, axes: Axes, width: int, height: int) -> None:
        self._axes, self._width, self._height = axes, width, height
        self._cells: dict[tuple[int, int], Run] = {}

    def _put(self, line: int, column: int, run: Run) -> None:
        if 0 <= line < self._height:
            self._cells[line, column] = run

    def _column(self, workers: float) -> int:
        return round(self._axes.across(workers) * (self._width - 1))

    def _line(self, value: float) -> int:
        return _line(self._axes, value, self._height)

    def draw(self, curve: CurveReading) -> None:
        """Draw bounds, then the line between points, then intervals, then points and marks."""
        for which in bounds_of(curve, self._axes):
            self._draw_bound(curve, which)
        points = drawn_points(curve)
        for one, other in zip(points, points[1:], strict=False):
            self._draw_between(one.workers, one.median, other.workers, other.median)
        for point in points:
            top, bottom = (self._line(self._axes.within(one)) for one in (point.high, point.low))
            for line in range(top, bottom + 1):
                self._put(line, self._column(point.workers), (GLYPHS[Ink.INTERVAL], Ink.INTERVAL))
        marks = {curve.best: Ink.BEST, curve.present: Ink.NOW}
        for point in sorted(points, key=lambda point: point.workers in marks):
            ink = marks.get(point.workers, Ink.PREDICTED)
            self._put(self._line(point.median), self._column(point.workers), (GLYPHS[ink], ink))

    def _draw_bound(self, curve: CurveReading, which: Ink) -> None:
        for column in range(self._width):
            value = bound(curve, which, self._axes.workers_at(column / (self._width - 1)))
            if value is not None and value > 0:
                self._put(self._line(value), column, (GLYPHS[which], which))

    def _draw_between(self, workers: int, value: float, others: int, other: float) -> None:
        """Draw the straight line between two points, as it is on logarithmic axes."""
        first, last = self._column(workers), self._column(others)
        for column in range(first + 1, last):
            part = (column - first) / (last - first)
            between = value * (other / value) ** part
            self._put(self._line(between), column, (BETWEEN_POINTS, Ink.PREDICTED))

    def runs(self, line: int) -> Row:
        """Return one line of the plot; neighbouring cells of one ink are one run."""
        found: Row = []
        for column in range(self._width):
            glyph, ink = self._cells.get((line, column), (" ", Ink.AXIS))
            if found and found[-1][1] is ink:
                found[-1] = found[-1][0] + glyph, ink
            else:
                found.append((glyph, ink))
        return found

    def worker_axis(self) -> tuple[str, str]:
        """Return the axis with its ticks, and the numbers below them as far as they fit."""
        axis, numbers = ["─"] * self._width, ""
        for workers in self._axes.worker_ticks:
            column = self._column(workers)
            axis[column] = "┴"
            text = str(workers)
            begin = min(max(0, column - len(text) // 2), self._width - len(text))
            if begin > len(numbers) or not numbers:
                numbers = numbers.ljust(begin) + text
        return "└" + "".join(axis), " " + numbers
