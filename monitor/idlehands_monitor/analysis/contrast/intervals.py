"""Intervals of differences: between several captures a side, and within one.

Pure. Between captures: B. L. Welch (1947), "The generalization of 'Student's' problem when several
different population variances are involved", Biometrika 34:28–35; where one side is a single
capture, Student's t with the other side's variance. Within one capture: resampled blocks of time,
H. R. Künsch (1989), "The jackknife and the bootstrap for general stationary observations", Ann.
Statist. 17(3):1217–1241 (from memory). A block is about n^(1/3) slices long, the order of length at
which the error of the interval falls fastest (same source, from memory). All are 95 % intervals.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ...model.arrays import Float, Int64

LEVEL = 0.95
RESAMPLES = 400
LEAST_ROWS = 8
"""Fewer slices or tasks give no interval: two blocks of them are the whole run."""
SEED = 1
"""The same captures give the same interval each time."""


class Interval(NamedTuple):
    """An interval of a difference, and the two-sided p of no difference, None where there is no
    test."""

    low: float
    high: float
    p: float | None = None


def between(before: Sequence[float], after: Sequence[float]) -> Interval | None:
    """Return the interval of mean(after) − mean(before) from the values of captures.

    None where each side has a single value, or any is not finite.
    """
    first, second = (np.asarray(values, dtype=np.float64) for values in (before, after))
    many = max(len(first), len(second))
    if min(len(first), len(second)) < 1 or many < 2:
        return None
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        return None
    difference = float(second.mean() - first.mean())
    error, degrees = _error(first, second)
    if not (math.isfinite(difference) and math.isfinite(error)):
        return None
    if error == 0:
        return Interval(difference, difference, 0.0 if difference else 1.0)
    from scipy.stats import t  # takes 0.6 s to import, see `stats.rank_test`

    reach = float(t.ppf((1 + LEVEL) / 2, degrees)) * error
    p = 2 * float(t.sf(abs(difference) / error, degrees))
    return Interval(difference - reach, difference + reach, p)


def _error(first: Float, second: Float) -> tuple[float, float]:
    """Return the standard error of the difference of two means, and its degrees of freedom."""
    parts = [(float(one.var(ddof=1)), len(one)) for one in (first, second) if len(one) > 1]
    if len(parts) == 1:  # one side is a single value: it is taken to vary as the other side does
        variance, many = parts[0]
        return math.sqrt(variance * (1 + 1 / many)), float(many - 1)
    shares = [variance / many for variance, many in parts]
    total = sum(shares)
    if total == 0:
        return 0.0, 1.0
    spread = sum(share**2 / (many - 1) for share, (_, many) in zip(shares, parts, strict=True))
    return math.sqrt(total), total**2 / spread


def within(
    before: Float, after: Float, figure: Callable[[Float], Float], resamples: int = RESAMPLES
) -> Float | None:
    """Return by how much figure(after) − figure(before) is off in resampled runs, (resamples, ...).

    before, after: one row a slice of time, or one value a task in the order of time. figure: from
    rows of shape (resamples, rows, ...) to its value in each. None with fewer than `LEAST_ROWS`.
    """
    if min(len(before), len(after)) < LEAST_ROWS:
        return None
    random = np.random.default_rng(SEED)
    first, second = (figure(rows[blocks(len(rows), resamples, random)]) for rows in (before, after))
    whole = figure(after[np.newaxis]) - figure(before[np.newaxis])
    return second - first - whole


def blocks(rows: int, resamples: int, random: np.random.Generator) -> Int64:
    """Return the rows of so many resampled runs, shape (resamples, rows), in blocks."""
    length = max(1, round(rows ** (1 / 3)))
    count = -(-rows // length)
    starts = random.integers(0, rows - length + 1, size=(resamples, count))
    picked = (starts[:, :, None] + np.arange(length)).reshape(resamples, -1)
    return np.asarray(picked[:, :rows], dtype=np.int64)


def ends_around(difference: float, deviations: Float) -> tuple[float, float]:
    """Return the interval of a difference from the deviations of resampled runs, shape (n,)."""
    low, high = np.quantile(deviations, ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    return difference + float(low), difference + float(high)
