"""The answer of a comparison in one sentence: the differences worth naming, in order of weight."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.contrast import Presence, StealFigure
from ...model.vocabulary import Category, Verdict
from ...model.whatif import Unit
from ..foreign_text import bounded
from ..formatting import category_name, number_of, seconds, share

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ...model.contrast import (
        ContrastReading,
        EndReading,
        FindingContrast,
        KindContrast,
        PromiseContrast,
        StealContrast,
        TimeContrast,
    )

NONE = "No difference worth naming"
P95 = "the 95th percentile from hand-in to end"
MOST_CLAUSES = 6
KIND_LETTERS = 60
TIMES = 2.0
"""A value that is so many times the other is written as a multiple."""
GONE = 0.01
"""A share of the worker time below it is gone, or was not there."""
FIGURE_NAMES = {
    StealFigure.ATTEMPTS_PER_TASK: "steal attempts for each task",
    StealFigure.HIT_SHARE: "share of attempts that took a task",
    StealFigure.STOLEN_SHARE: "share of tasks that were stolen",
    StealFigure.CONCENTRATION: "concentration on few victims (0 to 1)",
    StealFigure.NEXT_TASK_S: "median time to the next task",
}


def headline(reading: ContrastReading) -> str:
    """Return the answer: After: 31 % sooner [28 to 34 %]; starved time gone; resample slower by
    12 %."""
    clauses = list(_clauses(reading))
    if not clauses:
        return NONE
    shown = clauses[:MOST_CLAUSES]
    if len(clauses) > len(shown):
        shown.append(f"and {number_of(len(clauses) - len(shown), 'more difference')}")
    return f"After: {'; '.join(shown)}"


def _clauses(reading: ContrastReading) -> Iterator[str]:
    several = len(reading.pools) > 1
    pools = [
        (pool, f" in pool {bounded(pool.name, KIND_LETTERS)}" if several else "")
        for pool in reading.pools
    ]
    yield from (_end(one) for one in reading.end_to_end if one.named)
    for pool, where in pools:
        yield from (_finding(one) + where for one in pool.findings if one.named)
    for pool, where in pools:
        named = [one for one in pool.time if one.named]
        named.sort(key=lambda one: -abs(one.after - one.before))
        yield from (_time(one) + where for one in named)
    for pool, _where in pools:
        yield from (_kind(one) for one in pool.kinds if one.named)
    for pool, where in pools:
        yield from (_promise(one) + where for one in pool.promises if one.named)
        yield from (_steal(one) + where for one in pool.steals if one.named)


def _end(one: EndReading) -> str:
    ratio = one.after / one.before
    text = _multiple(one.unit, ratio) if ratio >= TIMES else _change(one.unit, ratio)
    return f"{text}{_between(one, ratio)}{_longer_tasks(one, ratio)}"


def _multiple(unit: Unit, ratio: float) -> str:
    if unit is Unit.TASKS_PER_S:
        return f"{times(ratio)} times as many tasks a second"
    return f"{P95 if unit is Unit.P95_S else 'takes'} {times(ratio)} times as long"


def _change(unit: Unit, ratio: float) -> str:
    size, more = _percent(abs(ratio - 1)), ratio > 1
    if unit is Unit.TASKS_PER_S:
        return f"{size} {'more' if more else 'fewer'} tasks a second"
    if unit is Unit.P95_S:
        return f"{P95} {size} {'longer' if more else 'shorter'}"
    return f"{size} {'later' if more else 'sooner'}"


def _between(one: EndReading, ratio: float) -> str:
    """Return the interval of the change, written as the change is."""
    if one.low is None or one.high is None:
        return ""
    within = " within one run each" if one.is_within else ""
    if ratio >= TIMES:
        more_is_better = one.unit is Unit.TASKS_PER_S
        low, high = sorted(1 + gain if more_is_better else 1 - gain for gain in (one.low, one.high))
        return f" [{times(low)} to {times(high)} times{within}]"
    sign = 1 if one.gain >= 0 else -1
    low, high = sorted((sign * one.low, sign * one.high))
    return f" [{_number(low)} to {_number(high)} %{within}]"


def _longer_tasks(one: EndReading, ratio: float) -> str:
    """Return how the tasks themselves changed, where that explains how many there were."""
    size = one.task_ratio
    if size is None or 1 / TIMES < size < TIMES or (size > 1) == (ratio > 1):
        return ""
    if size > 1:
        return f", of tasks that take {times(size)} times as long"
    return f", of tasks that take 1/{times(1 / size)} of the time"


def times(ratio: float) -> str:
    """Write a multiple with two digits at least: 2.4, 19, 160."""
    return f"{ratio:.2g}" if ratio < 100 else f"{ratio:,.0f}"


def _number(value: float) -> str:
    return f"{round(100 * value):d}".replace("-", "−")


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %"


def _finding(one: FindingContrast) -> str:
    return f"{one.code} gone" if one.presence is Presence.GONE else f"new: {one.code}"


def _time(one: TimeContrast) -> str:
    name = f"{category_name(one.category)} time"
    if one.category is Category.NO_WORK:
        name = "time without work"
    if one.after < GONE:
        return f"{name} gone (was {share(one.before)})"
    if one.before < GONE:
        return f"{name} new ({share(one.after)})"
    return f"{name} {share(one.before)} → {share(one.after)}"


def _kind(one: KindContrast) -> str:
    name = bounded(one.kind, KIND_LETTERS)
    if one.ratio >= TIMES:
        return f"{name} takes {times(one.ratio)} times as long"
    if one.ratio > 1:
        return f"{name} slower by {_percent(one.ratio - 1)}"
    return f"{name} faster by {_percent(1 - one.ratio)}"


def _promise(one: PromiseContrast) -> str:
    return f"promise {one.code} {'broken' if one.after is Verdict.BROKEN else 'kept'}"


def _steal(one: StealContrast) -> str:
    before, after = (figure_text(one.figure, value) for value in (one.before, one.after))
    return f"{FIGURE_NAMES[one.figure]} {before} → {after}"


def figure_text(figure: StealFigure, value: float) -> str:
    """Write the value of a figure of the steal attempts."""
    if figure is StealFigure.NEXT_TASK_S:
        return seconds(value)
    if figure in (StealFigure.HIT_SHARE, StealFigure.STOLEN_SHARE):
        return share(value)
    return f"{value:.2g}" if value < 100 else f"{value:.0f}"
