"""What a job comes to on each side, and in which unit.

Pure. A batch comes to the time until its last task ends, a closed stream to the tasks that end in a
second, an open one to the 95th percentile of the time from hand-in to end, see `model.whatif.Unit`.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ...model.contrast import EndReading
from ...model.whatif import UNIT_OF, Arrivals, Unit
from .intervals import between, ends_around, within
from .runs import MOST_RESAMPLED, thinned
from .worth import EQUAL_LENGTH, EQUAL_WORK, LEAST_GAIN, LEAST_GAIN_OF_ONE, LEAST_TASKS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from ...model.arrays import Float
    from .runs import PoolRun, Run

SLICES = 60
"""A run's ends are counted in so many slices of its time, to resample them."""
Pair = tuple[str, str]
Sides = tuple["Sequence[Run]", "Sequence[Run]"]


def end_to_end(
    sides: Sides, pairs: Sequence[Pair], asked: Arrivals | None
) -> tuple[Arrivals | None, tuple[EndReading, ...]]:
    """Return how work came, and what the job comes to in its own unit, then in the others.

    Where its own unit has no value, the next one stands for it. pairs: names of pools before and
    after. asked: overrides how work came.
    """
    main = _main(sides, pairs)
    if main is None:
        return None, ()
    arrivals, first = (asked, UNIT_OF[asked]) if asked else _recognised(sides, main)
    units = [first, *(unit for unit in Unit if unit is not first)]
    found = [one for unit in units if (one := _reading(sides, main, unit)) is not None]
    # Other units stand beside it unnamed: with three chances to differ, chance would name more.
    return arrivals, (*found[:1], *(replace(one, named=False) for one in found[1:]))


def _main(sides: Sides, pairs: Sequence[Pair]) -> Pair | None:
    """Return the pool with tasks from outside on both sides that spent most time in tasks."""

    def weight(pair: Pair) -> int:
        return sum(pool.in_task_ns for pool in _every(sides, pair))

    fed = [
        pair
        for pair in pairs
        if all(any(pool.arrivals is not None for pool in one) for one in _by_side(sides, pair))
    ]
    return max(fed, key=weight, default=None)


def _by_side(sides: Sides, pair: Pair) -> tuple[list[PoolRun], list[PoolRun]]:
    first, second = (
        [run.pools[name] for run in runs if name in run.pools]
        for runs, name in zip(sides, pair, strict=True)
    )
    return first, second


def _every(sides: Sides, pair: Pair) -> Iterable[PoolRun]:
    first, second = _by_side(sides, pair)
    return (*first, *second)


def _recognised(sides: Sides, main: Pair) -> tuple[Arrivals, Unit]:
    """Return how work came and the unit, the same for both sides, so that they can be compared.

    An open stream keeps its pace however long it takes. Otherwise a whole job that did the same
    work on both sides is compared by its length, and what was cut, or ended with the time, by its
    rate. Where captures do not agree on how work came, it is taken to come as that unit has it.
    """
    votes = Counter(pool.arrivals for pool in _every(sides, main) if pool.arrivals is not None)
    usual, agreed = votes.most_common(1)[0][0], len(votes) == 1
    if agreed and usual is Arrivals.OPEN:
        return usual, Unit.P95_S
    same, divided = _work(sides, main)
    if same:
        return (usual if agreed else Arrivals.BATCH), Unit.SECONDS
    if divided and not (agreed and usual is Arrivals.CLOSED):
        return Arrivals.BATCH, Unit.SECONDS
    return (usual if agreed else Arrivals.CLOSED), Unit.TASKS_PER_S


def _work(sides: Sides, main: Pair) -> tuple[bool, bool]:
    """Return whether whole jobs did the same work, and else whether they divided it differently.

    Work that was divided differently takes another time; a job that ends with the time does not.
    """
    if not all(run.is_whole for runs in sides for run in runs):
        return False, False
    calls = [
        float(np.median([pool.outside.calls for pool in pools])) for pools in _by_side(sides, main)
    ]
    if _apart(*calls) <= EQUAL_WORK:
        return True, False
    lengths = [
        float(np.median([run.length_s or 0.0 for run in runs if run.pools])) for runs in sides
    ]
    return False, _apart(*lengths) > EQUAL_LENGTH


def _apart(one: float, other: float) -> float:
    return abs(one - other) / max(one, other) if max(one, other) > 0 else 0.0


def _reading(sides: Sides, main: Pair, unit: Unit) -> EndReading | None:
    """Return what the job comes to in a unit, None where a side has no value."""
    values = [_values(runs, name, unit) for runs, name in zip(sides, main, strict=True)]
    if not all(values):
        return None
    logs = [[math.log(value) for value in side] for side in values]
    before, after = (math.exp(float(np.mean(side))) for side in logs)
    more_is_better = unit is Unit.TASKS_PER_S
    several = between(*logs)
    low: float | None
    high: float | None
    if several is not None:
        low, high = several.low, several.high
    else:
        low, high = _within(sides, main, unit, math.log(after / before))
    ends = (
        (None, None)
        if low is None or high is None
        else tuple(sorted(_gain(math.exp(end), more_is_better) for end in (low, high)))
    )
    gain = _gain(after / before, more_is_better)
    return EndReading(
        unit=unit,
        before=before,
        after=after,
        gain=gain,
        low=ends[0],
        high=ends[1],
        is_within=several is None and low is not None,
        runs_before=tuple(values[0]),
        runs_after=tuple(values[1]),
        named=_is_named(after / before, ends, several=several is not None),
        task_ratio=_task_ratio(sides, main) if more_is_better else None,
    )


def _task_ratio(sides: Sides, main: Pair) -> float | None:
    """Return the time in tasks for each task from outside, after / before; None without any."""
    spent = [
        [
            pool.in_task_ns / (len(pool.outside.came_ns) * pool.outside.scale)
            for pool in pools
            if len(pool.outside.came_ns)
        ]
        for pools in _by_side(sides, main)
    ]
    before, after = (float(np.median(side)) for side in spent)
    return after / before if before > 0 else None


def _gain(ratio: float, more_is_better: bool) -> float:
    return ratio - 1 if more_is_better else 1 - ratio


def _is_named(ratio: float, ends: tuple[float | None, ...], *, several: bool) -> bool:
    low, high = ends
    if several:
        is_sure, least = low is not None and high is not None and (low > 0 or high < 0), LEAST_GAIN
    else:  # the variation between runs comes on top of that within them
        is_sure = low is None or high is None or low >= LEAST_GAIN or high <= -LEAST_GAIN
        least = LEAST_GAIN_OF_ONE
    return is_sure and (ratio <= 1 - least or ratio >= 1 + least)


def _values(runs: Sequence[Run], name: str, unit: Unit) -> list[float]:
    """Return the value of each run that has one, in a unit."""
    if unit is Unit.SECONDS:
        found = [run.length_s for run in runs]
    else:
        pools = [run.pools[name] for run in runs if name in run.pools]
        enough = [pool for pool in pools if len(pool.outside.came_ns) >= LEAST_TASKS]
        found = [pool.rate if unit is Unit.TASKS_PER_S else pool.p95_s for pool in enough]
    return [value for value in found if value is not None and value > 0]


def _within(
    sides: Sides, main: Pair, unit: Unit, difference: float
) -> tuple[float | None, float | None]:
    """Return the interval of the logarithm of the ratio, `difference`, from one run a side.

    One run has one length, so the length has none.
    """
    if unit is Unit.SECONDS:
        return None, None
    rows, figure = RESAMPLED[unit]
    first, second = (
        rows(max(pools, key=lambda pool: len(pool.outside.came_ns)))
        for pools in _by_side(sides, main)
    )
    found = within(first, second, figure)
    return (None, None) if found is None else ends_around(difference, found)


def _ends_in_slices(pool: PoolRun) -> Float:
    """Return how many tasks a second ended in slices of the run, shape (slices,)."""
    ended = pool.outside.ended_ns
    counts, edges = np.histogram(ended, bins=min(SLICES, max(1, len(ended) // 4)))
    return counts / max(1.0, float(edges[1] - edges[0])) * 1e9 * pool.outside.scale


def _response_s(pool: PoolRun) -> Float:
    times: Float = (pool.outside.ended_ns - pool.outside.came_ns) / 1e9
    return thinned(times, MOST_RESAMPLED)


def _log_rate(rows: Float) -> Float:
    return np.asarray(np.log(np.maximum(rows.mean(axis=1), 1e-9)))


def _log_p95(rows: Float) -> Float:
    return np.asarray(np.log(np.maximum(np.quantile(rows, 0.95, axis=1), 1e-9)))


RESAMPLED: dict[Unit, tuple[Callable[[PoolRun], Float], Callable[[Float], Float]]] = {
    Unit.TASKS_PER_S: (_ends_in_slices, _log_rate),
    Unit.P95_S: (_response_s, _log_p95),
}
