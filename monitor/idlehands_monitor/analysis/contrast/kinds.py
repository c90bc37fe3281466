"""Which kinds of task became faster or slower, with a test and the size of the effect.

Pure. One capture a side: ranks of the calls (`stats.rank_test`) and resampled medians. Several: a
run is one observation, so Welch's test on the logarithms of the medians of the captures. p is
adjusted over all kinds of a job: Y. Benjamini, Y. Hochberg (1995), "Controlling the false discovery
rate", J. R. Statist. Soc. B 57(1):289–300.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ...model.contrast import KindContrast, KindSide
from ..stats.rank_test import rank_test
from ..stats.summary import quantile
from .intervals import between, ends_around, within
from .runs import MOST_LENGTHS, MOST_RESAMPLED, thinned
from .worth import (
    LARGEST_P,
    LEAST_CALLS,
    LEAST_COST,
    LEAST_RATIO,
    LEAST_RATIO_OF_ONE,
    LEAST_SUPERIORITY,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ...model.arrays import Float
    from ...model.tasks import KindReading
    from .runs import PoolRun

SHORTEST_S = 1e-9
"""A median of nothing is taken to be the clock's step, so that it has a logarithm."""


@dataclass(frozen=True, slots=True)
class _Lengths:
    """The lengths of a kind's calls in each capture of a side that ran it."""

    runs: tuple[Float, ...]

    @property
    def medians(self) -> list[float]:
        return [max(SHORTEST_S, quantile(run, 0.5)) for run in self.runs]

    @property
    def every(self) -> Float:
        return thinned(np.concatenate(self.runs), MOST_LENGTHS)


def kinds(before: Sequence[PoolRun], after: Sequence[PoolRun]) -> tuple[KindContrast, ...]:
    """Return the kinds that both sides ran, those with most time in tasks first; none is named.

    p is not yet adjusted.
    """
    sides = [_by_kind(side) for side in (before, after)]
    found = [
        _kind(name, (before, after), (sides[0][name], sides[1][name]))
        for name in sides[0]
        if name in sides[1]
    ]
    return tuple(sorted(found, key=lambda one: -max(one.before.share, one.after.share)))


def only_in(side: Sequence[PoolRun], other: Sequence[PoolRun]) -> tuple[str, ...]:
    """Return the kinds of which only one side ended a task."""
    theirs = _by_kind(other)
    return tuple(name for name in _by_kind(side) if name not in theirs)


def _by_kind(side: Sequence[PoolRun]) -> dict[str, _Lengths]:
    found: dict[str, list[Float]] = {}
    for pool in side:
        for name, lengths in pool.lengths_s.items():
            found.setdefault(name, []).append(lengths)
    return {name: _Lengths(tuple(runs)) for name, runs in found.items()}


def _kind(
    name: str,
    sides: tuple[Sequence[PoolRun], Sequence[PoolRun]],
    lengths: tuple[_Lengths, _Lengths],
) -> KindContrast:
    logs = [[math.log(median) for median in one.medians] for one in lengths]
    middle = [math.exp(float(np.mean(side))) for side in logs]
    ranks = rank_test(lengths[1].every, lengths[0].every)
    several = between(*logs)
    low: float | None = None
    high: float | None = None
    if several is not None:
        low, high, p = math.exp(several.low), math.exp(several.high), several.p
    else:
        p = ranks.p
        first, second = (thinned(one.runs[0], MOST_RESAMPLED) for one in lengths)
        deviations = within(first, second, _log_median)
        if deviations is not None:
            ends = ends_around(math.log(middle[1] / middle[0]), deviations)
            low, high = (math.exp(end) for end in ends)
    return KindContrast(
        kind=name,
        before=_side(sides[0], name, middle[0]),
        after=_side(sides[1], name, middle[1]),
        ratio=middle[1] / middle[0],
        low=low,
        high=high,
        p=p,
        superiority=ranks.superiority,
    )


def _log_median(rows: Float) -> Float:
    return np.asarray(np.log(np.maximum(np.median(rows, axis=1), SHORTEST_S)))


def _side(side: Sequence[PoolRun], name: str, median_s: float) -> KindSide:
    held: list[KindReading] = []
    everything = 0.0
    for pool in side:
        for reading in pool.readings:
            everything += reading.in_task_ns / 1e9
            held += [kind for kind in reading.tasks.kinds if kind.kind == name]
    calls = max(1, sum(max(kind.calls, kind.finished) for kind in held))
    working_s, blocked_s, queued_s = (
        sum(getattr(kind, part) for kind in held)
        for part in ("working_s", "blocked_s", "run_queue_wait_s")
    )
    spent = working_s + blocked_s + queued_s
    return KindSide(
        finished=sum(kind.finished for kind in held),
        median_s=median_s,
        working_s=working_s / calls,
        blocked_s=blocked_s / calls,
        run_queue_wait_s=queued_s / calls,
        share=spent / everything if everything else 0.0,
    )


def adjusted(
    every: Iterable[Sequence[KindContrast]], *, several: bool
) -> list[tuple[KindContrast, ...]]:
    """Return the kinds of each pool with p adjusted over all of them, and named where they differ.

    several: whether a side has several captures.
    """
    groups = [list(group) for group in every]
    flat = [one for group in groups for one in group]
    tested = [one.p for one in flat if one.p is not None]
    if tested:
        from scipy.stats import false_discovery_control  # see `stats.rank_test`

        known = iter(false_discovery_control(np.clip(tested, 0.0, 1.0)).tolist())
        flat = [one if one.p is None else replace(one, p=next(known)) for one in flat]
    least = LEAST_RATIO if several else LEAST_RATIO_OF_ONE
    named = iter([replace(one, named=_is_named(one, least)) for one in flat])
    return [tuple(next(named) for _ in group) for group in groups]


def _is_named(one: KindContrast, least: float) -> bool:
    if min(one.before.finished, one.after.finished) < LEAST_CALLS or one.p is None:
        return False
    larger = max(one.ratio, 1 / one.ratio)
    slower = one.after if one.ratio > 1 else one.before
    if slower.share * (1 - 1 / larger) < LEAST_COST or one.p > LARGEST_P:
        return False
    if one.low is not None and one.high is not None and one.low <= 1 <= one.high:
        return False
    effect = max(one.superiority, 1 - one.superiority)
    return effect >= LEAST_SUPERIORITY and larger >= least
