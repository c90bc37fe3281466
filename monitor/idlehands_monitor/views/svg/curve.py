"""The curve over numbers of workers as inline SVG: no script, nothing fetched.

It takes the page's own colour for text and lines, so it reads on light and on dark ground; the
bounds differ in their dashes, and what is marked in its shape, as well as in colour. `STYLE` is for
the page: there a brighter line on dark ground, and letters that no line crosses.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.whatif import Unit
from ..curve import BOUND_NAMES, Axes, Ink, axes_of, bound, bounds_of, drawn_points, key_of
from ..quantities import UNIT_NAMES, tick
from .marked import marked

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from ...model.whatif import CurvePoint, CurveReading

WIDTH, HEIGHT = 680, 380
LEFT, RIGHT, TOP, BOTTOM = 84, 84, 40, 60
LINE_COLOUR, NOW_COLOUR, BEST_COLOUR = "#0072B2", "#D55E00", "#009E73"
"""Of the palette of Okabe and Ito, those that contrast with white and with black by 3 : 1."""
DASHES = {Ink.WORK_LAW: "2 4", Ink.SPAN: "10 4", Ink.GREEDY: "8 3 2 3"}
STYLE = """
.curve { width: 100%; max-width: 46rem; height: auto }
.curve text { font-size: 13px; paint-order: stroke; stroke: Canvas }
.curve text { stroke-width: 4px; stroke-linejoin: round }
@media (max-width: 40rem) { .curve text { font-size: 18px } }
@media screen and (prefers-color-scheme: dark) {
.curve .line { stroke: #56B4E9 } .curve .fill { fill: #56B4E9 }
}
"""
BOUND_STEPS = 96
LABEL_HEIGHT = 16
LABEL_CELLS = 90
"""How wide the label of a mark may be."""
EDGE = 0.95
"""From this share of the width on a label stands at the left of its mark."""
MARK = 6


def curve_svg(curve: CurveReading, unit: Unit, title: str) -> str:
    """Return the picture of a curve, "" where it has fewer than two points. title: foreign text."""
    axes = axes_of(curve)
    if axes is None:
        return ""
    plot = _Plot(axes)
    described = ". ".join(text for _, text in key_of(curve, unit, axes))
    parts = (
        f'<svg class="curve" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        'xmlns="http://www.w3.org/2000/svg" font-size="13" fill="currentColor">',
        f"<title>{marked(title)}</title><desc>{marked(described)}</desc>",
        *plot.value_axis(unit),
        *plot.worker_axis(),
        *plot.bounds(curve),
        *plot.prediction(curve),
        *plot.marks(curve, unit),
        "</svg>",
    )
    return "\n".join(parts)


class _Plot:
    """Where things are within the picture."""

    def __init__(self, axes: Axes) -> None:
        self._axes = axes

    def _x(self, workers: float) -> float:
        return LEFT + self._axes.across(workers) * (WIDTH - LEFT - RIGHT)

    def _y(self, value: float) -> float:
        """Return the height of a value; one beyond the axis is at its edge."""
        up = self._axes.up(self._axes.within(value))
        return TOP + (1 - up) * (HEIGHT - TOP - BOTTOM)

    def value_axis(self, unit: Unit) -> Iterator[str]:
        """Yield the name of the values, and for each tick its text and a faint line."""
        yield f'<text x="{LEFT - 74}" y="18">{marked(UNIT_NAMES[unit])}</text>'
        for value in self._axes.value_ticks:
            y = self._y(value)
            yield (
                f'<line x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}" '
                'stroke="currentColor" stroke-opacity=".18"/>'
            )
            yield _label(LEFT - 8, y + 4, tick(value, unit), "end")

    def worker_axis(self) -> Iterator[str]:
        """Yield the axis at the bottom with its numbers and its name."""
        bottom, right = HEIGHT - BOTTOM, WIDTH - RIGHT
        yield f'<path d="M{LEFT} {TOP}V{bottom}H{right}" fill="none" stroke="currentColor"/>'
        for workers in self._axes.worker_ticks:
            x = self._x(workers)
            yield f'<path d="M{x:.1f} {bottom}v5" stroke="currentColor"/>'
            yield _label(x, bottom + 20, str(workers))
        middle = (LEFT + right) / 2
        yield _label(middle, HEIGHT - 18, "workers (both axes are logarithmic)")

    def bounds(self, curve: CurveReading) -> Iterator[str]:
        """Yield each bound as a dashed line with its name at the right, or where it leaves the
        plot."""
        right, at_right = WIDTH - RIGHT, list[tuple[float, Ink]]()
        for which in bounds_of(curve, self._axes):
            places = self._bound_places(curve, which)
            yield (
                f'<path d="{_path(places)}" fill="none" stroke="currentColor" '
                f'stroke-opacity=".75" stroke-width="1.5" stroke-dasharray="{DASHES[which]}"/>'
            )
            x, y = places[-1]
            if x < right - 1:
                yield _label(x + 8, y - 6, BOUND_NAMES[which], "start")
            else:
                at_right.append((y, which))
        lowest = float(TOP)
        for y, which in sorted(at_right, key=lambda end: end[0]):
            lowest = max(y + 4, lowest)
            yield _label(right + 10, lowest, BOUND_NAMES[which], "start")
            lowest += LABEL_HEIGHT

    def _bound_places(self, curve: CurveReading, which: Ink) -> list[tuple[float, float]]:
        axes, places = self._axes, []
        for step in range(BOUND_STEPS + 1):
            workers = axes.workers_at(step / BOUND_STEPS)
            value = bound(curve, which, workers)
            if value is not None and axes.low <= value <= axes.high:
                places.append((self._x(workers), self._y(value)))
        return places

    def prediction(self, curve: CurveReading) -> Iterator[str]:
        """Yield the interval as a band, the line, and its points."""
        points = drawn_points(curve)
        lower = [(self._x(point.workers), self._y(point.low)) for point in points]
        upper = [(self._x(point.workers), self._y(point.high)) for point in points]
        yield (
            f'<path d="{_path([*upper, *reversed(lower)])}Z" fill="{LINE_COLOUR}" '
            'fill-opacity=".25" class="fill"/>'
        )
        places = [self._place(point) for point in points]
        line = f'fill="none" stroke="{LINE_COLOUR}" stroke-width="2" class="line"'
        yield f'<path d="{_path(places)}" {line}/>'
        for x, y in places:
            yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{LINE_COLOUR}" class="fill"/>'

    def _place(self, point: CurvePoint) -> tuple[float, float]:
        return self._x(point.workers), self._y(point.median)

    def marks(self, curve: CurveReading, unit: Unit) -> Iterator[str]:
        """Yield a ring at the present number of workers and a diamond at the best one."""
        places = {point.workers: self._place(point) for point in drawn_points(curve)}
        now, best = places.get(curve.present), places.get(curve.best)
        both = curve.present == curve.best
        if best is not None:
            x, y = best
            diamond = f"M{x:.1f} {y - MARK:.1f}l{MARK} {MARK}l-{MARK} {MARK}l-{MARK} -{MARK}Z"
            yield f'<path d="{diamond}" fill="{BEST_COLOUR}" stroke="currentColor"/>'
        if now is not None:
            yield (
                f'<circle cx="{now[0]:.1f}" cy="{now[1]:.1f}" r="{MARK + 2}" fill="none" '
                f'stroke="{NOW_COLOUR}" stroke-width="2.5"/>'
            )
            name = "now and best" if both else "now"
            yield self._mark_label(now, f"{name}: {curve.present}", unit)
        if best is not None and not both:
            near = now is not None and abs(best[0] - now[0]) < LABEL_CELLS
            lift = LABEL_HEIGHT if near and now is not None and best[1] + 60 > now[1] else 0
            yield self._mark_label((best[0], best[1] - lift), f"best: {curve.best}", unit)

    def _mark_label(self, place: tuple[float, float], text: str, unit: Unit) -> str:
        """Return a label above a mark, on the side to which the curve is not higher."""
        x, y = place
        across = (x - LEFT) / (WIDTH - LEFT - RIGHT)
        rises = unit == Unit.TASKS_PER_S
        to_left = across > EDGE or (rises and across > 1 - EDGE)
        return _label(x - 8 if to_left else x + 8, y - 12, text, "end" if to_left else "start")


def _label(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{marked(text)}</text>'


def _path(places: Iterable[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places)
