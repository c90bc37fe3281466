"""The time split of a pool on each side, category by category. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ...model.contrast import TimeContrast
from ...model.vocabulary import Category, CoreTimeSource
from ...model.worker_time import CATEGORIES, VALUES
from .intervals import between, ends_around, within
from .worth import LEAST_TIME, LEAST_TIME_OF_ONE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.arrays import Float
    from .runs import PoolRun

ON_A_CORE = CATEGORIES.index(Category.WORKING)
IN_TASKS = (Category.WORKING, Category.BLOCKED, Category.RUN_QUEUE_WAIT)


def time_split(before: Sequence[PoolRun], after: Sequence[PoolRun]) -> tuple[TimeContrast, ...]:
    """Return each category on both sides; empty where a side has no worker time.

    Working is what the others leave, so it is named only where no other category is. Where the
    sides do not divide time in tasks by the same source, no part of it is named.
    """
    shares = [_shares(side) for side in (before, after)]
    if not all(len(one) for one in shares):
        return ()
    deviations = _deviations(before, after)
    comparable = len({_source(pool) for pool in (*before, *after)}) == 1
    found = []
    for place, category in enumerate(CATEGORIES):
        first, second = (one[:, place] for one in shares)
        middle = float(first.mean()), float(second.mean())
        several = between(first.tolist(), second.tolist())
        ends: tuple[float | None, float | None] = (None, None)
        if several is not None:
            ends = several.low, several.high
        elif deviations is not None:
            ends = ends_around(middle[1] - middle[0], deviations[:, place])
        least = LEAST_TIME_OF_ONE if several is None else LEAST_TIME
        named = _is_named(middle[1] - middle[0], *ends, least) and (
            comparable or category not in IN_TASKS
        )
        found.append(TimeContrast(category, *middle, *ends, named))
    if any(one.named for one in found[ON_A_CORE + 1 :]):
        found[ON_A_CORE] = replace(found[ON_A_CORE], named=False)
    return tuple(found)


def _is_named(difference: float, low: float | None, high: float | None, least: float) -> bool:
    is_sure = low is None or high is None or low > 0 or high < 0
    return is_sure and abs(difference) >= least


def _source(pool: PoolRun) -> CoreTimeSource:
    return max((one.core_time for one in pool.readings), key=lambda source: source.rank)


def _shares(side: Sequence[PoolRun]) -> Float:
    """Return the share of each category in each capture, shape (captures, categories)."""
    times = [
        np.sum([VALUES(one.time) for one in pool.readings], axis=0, dtype=np.float64)
        for pool in side
    ]
    held = [time / time.sum() for time in times if time.sum() > 0]
    return np.array(held, dtype=np.float64).reshape(len(held), len(CATEGORIES))


def _deviations(before: Sequence[PoolRun], after: Sequence[PoolRun]) -> Float | None:
    """Return the deviations of the differences of one capture a side in resampled slices."""
    if len(before) != 1 or len(after) != 1:
        return None
    return within(_slices(before[0]), _slices(after[0]), _share_of_slices)


def _slices(pool: PoolRun) -> Float:
    """Return the nanoseconds of each category in each slice, shape (slices, categories)."""
    rows = [VALUES(part) for one in pool.readings for part in one.history]
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(CATEGORIES))


def _share_of_slices(rows: Float) -> Float:
    total: Float = rows.sum(axis=1)
    return np.asarray(total / np.maximum(1.0, total.sum(axis=1, keepdims=True)))
