"""The steal pattern of a pool on each side. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.contrast import StealContrast, StealFigure
from .worth import LEAST_ATTEMPTS, LEAST_STEAL_POINTS, LEAST_STEAL_RATIO

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.reading import PoolReading
    from .runs import PoolRun

RATIOS = (StealFigure.ATTEMPTS_PER_TASK,)
"""Figures that are compared by their ratio; shares are compared by points."""
UNNAMED = (StealFigure.NEXT_TASK_S,)
"""How soon a thief has a task follows from the others and from the machine's load."""


def steal_contrasts(
    before: Sequence[PoolRun], after: Sequence[PoolRun]
) -> tuple[StealContrast, ...]:
    """Return the figures that are known on both sides; empty where nobody steals."""
    sides = [
        [_figures(reading) for pool in side for reading in pool.readings if reading.has_steals]
        for side in (before, after)
    ]
    if not all(sides):
        return ()
    enough = all(_attempts(side) >= LEAST_ATTEMPTS for side in (before, after))
    found = []
    for figure in StealFigure:
        values = [[one[figure] for one in side if figure in one] for side in sides]
        if all(values):
            first, second = (float(np.median(side)) for side in values)
            named = enough and figure not in UNNAMED and _is_named(figure, first, second)
            found.append(StealContrast(figure, first, second, named))
    return tuple(found)


def _attempts(side: Sequence[PoolRun]) -> int:
    return min(
        (sum(one.steals.attempts_total for one in pool.readings) for pool in side), default=0
    )


def _is_named(figure: StealFigure, before: float, after: float) -> bool:
    if figure in RATIOS:
        least, most = sorted((before, after))
        return most >= LEAST_STEAL_RATIO * least and most > 0
    return abs(after - before) >= LEAST_STEAL_POINTS


def _figures(pool: PoolReading) -> dict[StealFigure, float]:
    found: dict[StealFigure, float] = {}
    attempts, tasks = pool.steals.attempts_total, pool.tasks.finished
    if tasks:
        found[StealFigure.ATTEMPTS_PER_TASK] = attempts / tasks
        found[StealFigure.STOLEN_SHARE] = sum(kind.stolen for kind in pool.tasks.kinds) / tasks
    if attempts:
        found[StealFigure.HIT_SHARE] = pool.steals.hits_total / attempts
    if pool.stealing is not None:
        if pool.stealing.choice.attempts:
            found[StealFigure.CONCENTRATION] = pool.stealing.choice.concentration
        if pool.stealing.to_next_task.median_s is not None:
            found[StealFigure.NEXT_TASK_S] = pool.stealing.to_next_task.median_s
    return found
