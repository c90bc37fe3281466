"""Mean, deviation, quantiles, and the interval of a proportion.

Pure. The mean and the deviation are stable for int64 nanoseconds and for float64: the values are
shifted by the first of them, which is exact for integers and costs floats no digit that matters,
and the squares are summed around the mean in a second pass (T. F. Chan, G. H. Golub, R. J. LeVeque
1983, "Algorithms for computing the sample variance", Amer. Statist. 37(3):242–247; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ...model.arrays import Float, Int64


@dataclass(frozen=True, slots=True)
class Summary:
    """A mean and a deviation (divisor n − 1), which is NaN for fewer than two values."""

    mean: float
    deviation: float

    @property
    def variation(self) -> float:
        """The squared coefficient of variation; NaN where it is not defined (a mean of 0)."""
        return (self.deviation / self.mean) ** 2 if self.mean else math.nan


def summarise(values: Int64 | Float) -> Summary:
    """Return the summary of values of shape (n,), in their unit. Raises ValueError for none."""
    if not len(values):
        raise ValueError("there are no values to summarise")
    shift, shifted = _shifted(values)
    offset = float(shifted.mean())
    squares = float(((shifted - offset) ** 2).sum())
    deviation = math.sqrt(squares / (len(values) - 1)) if len(values) > 1 else math.nan
    return Summary(shift + offset, deviation)


def _shifted(values: Int64 | Float) -> tuple[float, Float]:
    """Return the first value, and all values minus the first."""
    if values.dtype.kind == "i" and int(values.max()) - int(values.min()) >= 1 << 63:
        values = values.astype(np.float64)  # int64 differences would overflow
    return float(values[0]), (values - values[0]).astype(np.float64)


def quantile(values: Int64 | Float, p: float) -> float:
    """Return the quantile p of values of shape (n,), in their unit: type 8 of Hyndman and Fan.

    Type 8 is median-unbiased whatever the distribution, so small samples do not draw in the long
    tails of run times. Its median is the mean of the middle two values. R. J. Hyndman, Y. Fan
    (1996), "Sample quantiles in statistical packages", Amer. Statist. 50(4):361–365. Raises
    ValueError for no values, or a p outside [0, 1].
    """
    if not len(values):
        raise ValueError("there are no values to take a quantile of")
    # As floats: the difference of two int64 of a damaged stream could overflow.
    return float(np.quantile(values.astype(np.float64), p, method="median_unbiased"))


def quantile_of_sorted(ordered: Int64 | Float, p: float) -> float:
    """Return `quantile` of values in rising order, without numpy's fixed cost for each call.

    A reading of steals needs two quantiles for each worker. With 256 workers the reading takes
    34 ms with this function, and 43 ms with numpy's (measured).
    """
    last = len(ordered) - 1
    place = min(max((last + 1 + 1 / 3) * p + 1 / 3 - 1, 0.0), float(last))
    low = int(place)
    before, after = float(ordered[low]), float(ordered[min(low + 1, last)])
    return before + (after - before) * (place - low)


def wilson(successes: float, trials: float, confidence: float = 0.95) -> tuple[float, float]:
    """Return Wilson's score interval of a proportion, (lower, upper), not corrected for continuity.

    `scipy.stats.binomtest` gives the same interval, but takes whole counts only and is slow to
    import. Samples of external processes are weighted by how long each worker was there, so counts
    may be fractions; and blocked time needs the interval in pools that do not steal. Without
    trials nothing is known: (0, 1). E. B. Wilson (1927), "Probable inference,
    the law of succession, and statistical inference", J. Amer. Statist. Assoc. 22:209–212. Raises
    ValueError for successes outside [0, trials] or a confidence outside (0, 1).
    """
    if not 0 <= successes <= trials < math.inf:
        raise ValueError(f"{successes} successes in {trials} trials")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence}: not in (0, 1)")
    if trials == 0:
        return 0.0, 1.0
    z = -NormalDist().inv_cdf((1 - confidence) / 2)
    p, spread = successes / trials, z * z / trials
    top = p + spread / 2 + z * math.sqrt((p * (1 - p) + spread / 4) / trials)
    # Both ends are roots of (1 + s)x² − (2p + s)x + p². The lower one follows from the product of
    # the roots, since the difference that also gives it loses all its digits near 0. Where all
    # trials succeeded the upper end is 1 and rounding must not move it.
    return (p * p / top if p else 0.0), (min(1.0, top / (1 + spread)) if p < 1 else 1.0)
