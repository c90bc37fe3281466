"""Mean, deviation, autocorrelation, quantiles, and the interval of a proportion.

Pure. Stable for int64 nanoseconds and for float64: the values are shifted by the first of them,
which for integers is exact and for floats loses nothing where it matters, and the squares are
summed around the mean in a second pass (T. F. Chan, G. H. Golub, R. J. LeVeque 1983, "Algorithms
for computing the sample variance", Amer. Statist. 37(3):242–247; from memory).
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
    """The mean of `count` values, their deviation (divisor n − 1), and r₁ between neighbours.

    deviation is NaN for fewer than two values, lag_one also where all values are the same.
    """

    count: int
    mean: float
    deviation: float
    lag_one: float

    @property
    def variation(self) -> float:
        """The squared coefficient of variation; NaN where it is not defined (a mean of 0)."""
        return (self.deviation / self.mean) ** 2 if self.mean else math.nan


def summarise(values: Int64 | Float) -> Summary:
    """Return summary statistics of values of shape (n,), in their order and unit.

    r₁ = Σ(xᵢ − x̄)(xᵢ₊₁ − x̄)/Σ(xᵢ − x̄)² as in the NIST Statistical Reference Datasets. Raises
    ValueError for no values.
    """
    if not len(values):
        raise ValueError("there are no values to summarise")
    count = len(values)
    shift, shifted = _shifted(values)
    offset = float(shifted.mean())
    around = shifted - offset
    squares = float((around**2).sum())
    return Summary(
        count,
        shift + offset,
        math.sqrt(squares / (count - 1)) if count > 1 else math.nan,
        float((around[:-1] * around[1:]).sum()) / squares if squares else math.nan,
    )


def _shifted(values: Int64 | Float) -> tuple[float, Float]:
    """Return the first value, and all less it."""
    if values.dtype.kind == "i" and int(values.max()) - int(values.min()) >= 1 << 63:
        values = values.astype(np.float64)  # the differences would wrap round
    return float(values[0]), (values - values[0]).astype(np.float64)


def quantile(values: Int64 | Float, p: float) -> float:
    """Return the quantile p of values of shape (n,), type 8 of Hyndman and Fan.

    Type 8, because its estimate is median-unbiased whatever the distribution, so the long tails
    of run times are not drawn inwards on small samples. Its median is the mean of the middle two.
    R. J. Hyndman, Y. Fan (1996), "Sample quantiles in statistical packages", Amer. Statist.
    50(4):361–365. Raises ValueError for no values, or a p outside [0, 1].
    """
    if not len(values):
        raise ValueError("there are no values to take a quantile of")
    if not 0 <= p <= 1:
        raise ValueError(f"a quantile of {p}: not in [0, 1]")
    # numpy's own takes most of its time for what it does besides, on every reading.
    place = len(values) * p + (1 + p) / 3 - 1  # from 0, between two values
    low = min(max(0, math.floor(place)), len(values) - 1)
    high = min(low + 1, len(values) - 1)
    ordered = np.partition(values, (low, high))
    below, above = ordered[low].item(), ordered[high].item()
    return float(below + (above - below) * min(max(0.0, place - low), 1.0))


def quantile_of_sorted(ordered: Int64 | Float, p: float) -> float:
    """Return `quantile` of values that are in rising order, at a tenth of its cost on few."""
    last = len(ordered) - 1
    place = min(max((last + 1 + 1 / 3) * p + 1 / 3 - 1, 0.0), float(last))
    low = int(place)
    before, after = float(ordered[low]), float(ordered[min(low + 1, last)])
    return before + (after - before) * (place - low)


def wilson(successes: float, trials: float, confidence: float = 0.95) -> tuple[float, float]:
    """Return Wilson's score interval of a proportion, (lower, upper), not corrected for continuity.

    Counts may be weighted, so need not be whole. Without trials nothing is known: (0, 1).
    E. B. Wilson (1927), "Probable inference, the law of succession, and statistical inference",
    J. Amer. Statist. Assoc. 22:209–212. Raises ValueError for successes outside [0, trials] or a
    confidence outside (0, 1).
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
    # The ends are the roots of (1 + s)x² − (2p + s)x + p²; the lower one from their product, as
    # the difference that gives it too loses all its digits near 0.
    # Where all succeeded the upper one is 1, whatever rounding makes of it.
    return (p * p / top if p else 0.0), (min(1.0, top / (1 + spread)) if p < 1 else 1.0)
