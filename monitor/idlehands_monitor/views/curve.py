"""The curve of predicted values over numbers of workers: its axes, its bounds and its key.

Characters (`curve_text`) and SVG (`svg`) draw the same curve, so they cannot differ. Both axes are
logarithmic: there T1/P is a straight line, and each doubling of the workers takes as much room.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import floor, isfinite, log, log10
from typing import TYPE_CHECKING

from ..model.whatif import Unit
from .formatting import number_of
from .quantities import UNIT_NAMES, quantity

if TYPE_CHECKING:
    from ..model.whatif import CurvePoint, CurveReading

MOST_TICKS = 8
FEW_WORKERS = 10
NEAR = 1.3
"""A power of two is no tick where the last number of workers is less than so many times as many."""


class Ink(Enum):
    """What a part of the curve stands for."""

    AXIS = "axis"
    PREDICTED = "predicted"
    INTERVAL = "interval"
    NOW = "now"
    BEST = "best"
    WORK_LAW = "work law"
    SPAN = "span"
    GREEDY = "greedy"


BOUNDS = (Ink.WORK_LAW, Ink.SPAN, Ink.GREEDY)
BOUND_NAMES = {Ink.WORK_LAW: "T1/P", Ink.SPAN: "Tinf", Ink.GREEDY: "greedy"}


@dataclass(frozen=True, slots=True)
class Axes:
    """The room of a curve. least, most: numbers of workers; low, high: values, above 0."""

    least: int
    most: int
    low: float
    high: float

    def across(self, workers: float) -> float:
        """Return where a number of workers is, from 0 at the left to 1 at the right."""
        return log(workers / self.least) / log(self.most / self.least)

    def up(self, value: float) -> float:
        """Return where a value is, from 0 at the bottom to 1 at the top; outside it is beyond."""
        return log(value / self.low) / log(self.high / self.low)

    def within(self, value: float) -> float:
        """Return a value, or the edge that is nearest to it."""
        return min(self.high, max(self.low, value))

    def workers_at(self, across: float) -> float:
        """Return the number of workers at a place, which need not be whole."""
        return float(self.least * (self.most / self.least) ** across)

    @property
    def worker_ticks(self) -> tuple[int, ...]:
        """Every number where they are few, else the powers of two, the first and the last."""
        if self.most - self.least < FEW_WORKERS:
            return tuple(range(self.least, self.most + 1))
        powers = (1 << place for place in range(self.most.bit_length()))
        inner = [p for p in powers if self.least * NEAR < p and p * NEAR < self.most]
        return (self.least, *inner, self.most)

    @property
    def value_ticks(self) -> tuple[float, ...]:
        """Round values, rising; only powers of ten where all would be too many."""
        all_round = _round_values(self.low, self.high)
        if len(all_round) <= MOST_TICKS:
            return all_round
        powers = [one for one in all_round if abs(log10(one) - round(log10(one))) < 1e-9]
        step = -(-len(powers) // MOST_TICKS)
        return tuple(powers[::step])


def axes_of(curve: CurveReading) -> Axes | None:
    """Return the room that a curve needs, None where fewer than two points can be drawn.

    The highest and the lowest value are round (1, 2 or 5 times a power of ten), so at least a
    factor of two is shown: a curve that hardly changes looks flat.
    """
    points = drawn_points(curve)
    if len({point.workers for point in points}) < 2:
        return None
    values = [one for p in points for one in (p.low, p.median, p.high) if _is_drawn(one)]
    low, high = min(values), max(values)
    least, most = points[0].workers, points[-1].workers
    return Axes(least, most, _round_below(low), _round_above(high))


def drawn_points(curve: CurveReading) -> list[CurvePoint]:
    """Return the points with a finite value above 0: others have no place on the axes."""
    return [
        point
        for point in curve.points
        if point.workers > 0 and _is_drawn(point.median) and point.low <= point.high
    ]


def _is_drawn(value: float) -> bool:
    return isfinite(value) and value > 0


def bound(curve: CurveReading, which: Ink, workers: float) -> float | None:
    """Return a bound in seconds at a number of workers, None where it is not known."""
    if which is Ink.WORK_LAW:
        return curve.work_law_s(workers)
    return curve.span_s if which is Ink.SPAN else curve.greedy_bound_s(workers)


def bounds_of(curve: CurveReading, axes: Axes) -> list[Ink]:
    """Return the bounds that are somewhere within the axes."""
    places = [axes.workers_at(step / 64) for step in range(65)]
    return [
        which
        for which in BOUNDS
        if any(_within(axes, bound(curve, which, workers)) for workers in places)
    ]


def _within(axes: Axes, value: float | None) -> bool:
    return value is not None and axes.low <= value <= axes.high


def key_of(curve: CurveReading, unit: Unit, axes: Axes) -> list[tuple[Ink, str]]:
    """Return what each part of a drawn curve stands for, with the values of what is marked."""
    found = [
        (Ink.PREDICTED, f"predicted {UNIT_NAMES[unit]}, median"),
        (Ink.INTERVAL, "its 95 % interval"),
    ]
    by_workers = {point.workers: point.median for point in drawn_points(curve)}
    both = curve.present == curve.best
    for ink, name, workers in (
        (Ink.NOW, "now and best" if both else "now", curve.present),
        (Ink.BEST, "best, the fewest within 2 % of the best value", curve.best),
    ):
        if workers in by_workers and not (both and ink is Ink.BEST):
            value = quantity(by_workers[workers], unit)
            found.append((ink, f"{name}: {number_of(workers, 'worker')}, {value}"))
    drawn = bounds_of(curve, axes)
    return found + [(which, text) for which, text in _bound_texts(curve) if which in drawn]


def _bound_texts(curve: CurveReading) -> list[tuple[Ink, str]]:
    if curve.work_s is None:
        return []
    work = quantity(curve.work_s, Unit.SECONDS)
    span = quantity(curve.span_s, Unit.SECONDS) if curve.span_s is not None else ""
    return [
        (Ink.WORK_LAW, f"T1/P, no schedule takes less (T1 = {work})"),
        (Ink.SPAN, f"Tinf = {span}, no number of workers takes less"),
        (Ink.GREEDY, "(T1 - Tinf)/P + Tinf, greedy bound, overheads left out"),
    ]


def _round_values(low: float, high: float) -> tuple[float, ...]:
    powers = range(floor(log10(low)) - 1, floor(log10(high)) + 2)
    values = (step * 10.0**power for power in powers for step in (1, 2, 5))
    return tuple(one for one in values if low * (1 - 1e-9) <= one <= high * (1 + 1e-9))


def _round_below(value: float) -> float:
    return max(_round_values(value / 10, value))


def _round_above(value: float) -> float:
    above = [one for one in _round_values(value, value * 10) if one > value * (1 + 1e-9)]
    return min(above)
