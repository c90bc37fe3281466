"""How predicted values, their intervals and gains are written, once for every view.

A value and its interval have one unit and as many decimals as the value needs for three digits, so
that both can be compared at a glance.
"""

from __future__ import annotations

from math import floor, isfinite, log10

from ..model.whatif import Unit
from .formatting import LOPSIDED

TIME_SCALES = ((7200.0, 3600.0, "h"), (120.0, 60.0, "min"), (1.0, 1.0, "s"), (1e-3, 1e-3, "ms"))
"""From which value on a time is written in which unit, and how many seconds the unit has."""
SMALLEST_TIME = (1e-6, "µs")
TICK_SCALES = ((1.0, 1.0, "s"), (1e-3, 1e-3, "ms"))
"""An axis has no minutes: 100 s and 200 s stand on it, not 1.67 min and 3.33 min."""
RATE = "tasks/s"
MOST_DECIMALS = 6
DIGITS = 3
NO_END = "no end"
"""The value where a queue grows for ever."""
UNIT_NAMES = {
    Unit.SECONDS: "time to the end",
    Unit.TASKS_PER_S: "tasks a second",
    Unit.P95_S: "95th percentile from hand-in to end",
}


def quantity(value: float, unit: Unit) -> str:
    """Write a value with its unit: 12.4 s, 5.21 ms, 812 tasks/s."""
    return interval(value, value, value, unit)


def interval(low: float, value: float, high: float, unit: Unit) -> str:
    """Write a value with its interval, which is left out where it would say nothing more:
    12.4 s (12.1–12.7)."""
    if not isfinite(value):
        return NO_END
    divisor, name = scale(value, unit)
    decimals = _decimals(value / divisor)
    numbers = [
        f"{one / divisor:,.{decimals}f}" if isfinite(one) else NO_END for one in (low, value, high)
    ]
    below, written, above = numbers
    between = "" if below == written == above else f" ({below}–{above})"
    return f"{written} {name}{between}"


def scale(value: float, unit: Unit) -> tuple[float, str]:
    """Return by what a value is divided to be written, and the name of the unit that it gets."""
    if unit == Unit.TASKS_PER_S:
        return 1.0, RATE
    return _time_scale(value, TIME_SCALES)


def _time_scale(value: float, scales: tuple[tuple[float, float, str], ...]) -> tuple[float, str]:
    fitting = ((divisor, name) for least, divisor, name in scales if value >= least)
    return next(fitting, SMALLEST_TIME)


def _decimals(value: float) -> int:
    if value <= 0:
        return 0
    return max(0, min(MOST_DECIMALS, DIGITS - 1 - floor(log10(value))))


def tick(value: float, unit: Unit) -> str:
    """Write a round value for an axis: 0.5 tasks/s, 20 ms, 200 s."""
    if unit == Unit.TASKS_PER_S:
        return f"{value:,.12g}"
    divisor, name = _time_scale(value * (1 + 1e-9), TICK_SCALES)
    return f"{round(value / divisor, 6):,.12g} {name}"


def gain(low: float, value: float, high: float) -> str:
    """Write a gain with its interval: +34 % ± 2, −3 %, or +3 % (−6 to +36) where its sides differ
    much."""
    if not isfinite(value):
        return "–"
    if not (isfinite(low) and isfinite(high)):
        return f"{_signed(round(100 * value))} %"
    below, share, above = (round(100 * one) for one in (low, value, high))
    if below == share == above:
        return f"{_signed(share)} %"
    if abs((share - below) - (above - share)) > LOPSIDED or not below <= share <= above:
        return f"{_signed(share)} % ({_signed(below)} to {_signed(above)})"
    return f"{_signed(share)} % ± {max(share - below, above - share)}"


def _signed(percent: int) -> str:
    return f"{percent:+,d}".replace("-", "−") if percent else "0"
