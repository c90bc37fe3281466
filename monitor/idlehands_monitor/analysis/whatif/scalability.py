"""The universal scalability law, fitted to a predicted curve over numbers of workers.

Pure. N. J. Gunther (2007), Guerrilla Capacity Planning, Springer, ch. 4 to 6: a rate over N workers
of X(N) = γN/(1 + α(N − 1) + βN(N − 1)). With β = 0 it is Amdahl's law with the serial share α
(G. M. Amdahl 1967, AFIPS SJCC 30:483–485). The law is fitted by non-linear least squares in α, β
and γ. Gunther's own method, a regression of a quadratic, weights the points otherwise and gives
other coefficients; here it only gives the values to start from.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ...model.whatif import ScalabilityReading, Unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.arrays import Float
    from ...model.whatif import CurvePoint

LEAST_POINTS = 4
"""Three parameters go through three points whatever the law, and leave no residual."""


def law_of(points: Sequence[CurvePoint], unit: Unit) -> ScalabilityReading | None:
    """Return the law of a curve's medians; γ is in runs or tasks a second.

    None for a percentile, which is no rate, for fewer than `LEAST_POINTS` numbers of workers, and
    where a median is not above 0.
    """
    medians = [point.median for point in points]
    known = all(0 < median < math.inf for median in medians)
    if unit is Unit.P95_S or not known or len({p.workers for p in points}) < LEAST_POINTS:
        return None
    rates = [1 / median for median in medians] if unit is Unit.SECONDS else medians
    return fit([point.workers for point in points], rates)


def fit(workers: Sequence[int], rates: Sequence[float]) -> ScalabilityReading:
    """Return the law by non-linear least squares in three parameters, 0 ≤ α ≤ 1, β ≥ 0, γ ≥ 0.

    Rates above 0, in any unit, one for each number of workers. Raises ValueError for fewer than
    `LEAST_POINTS` of them, or for others.
    """
    # scipy takes long to import, and only a what-if with a curve needs this.
    from scipy.optimize import least_squares

    numbers, values = _checked(workers, rates)
    alpha, beta = quadratic(workers, rates)
    largest = float(values.max())  # so that the three parameters have much the same size
    scaled = values / largest
    found = least_squares(
        lambda p: _rate(numbers, *p) - scaled,
        (min(1.0, max(0.0, alpha)), max(0.0, beta), float(scaled[0] / numbers[0])),
        lambda p: _slopes(numbers, *p),
        bounds=((0, 0, 0), (1, math.inf, math.inf)),
        method="dogbox",  # reaches a bound exactly, where others only come near it
        x_scale="jac",
        **dict.fromkeys(("ftol", "xtol", "gtol"), 1e-12),
    )
    alpha, beta, gamma = found.x.tolist()
    squares = 2 * found.cost * largest**2
    residual = math.sqrt(squares / (len(numbers) - 3))
    peak = max(1.0, math.sqrt((1 - alpha) / beta)) if beta > 0 else None
    return ScalabilityReading(alpha, beta, gamma * largest, peak, residual)


def quadratic(workers: Sequence[int], rates: Sequence[float]) -> tuple[float, float]:
    """Return (α, β) by Gunther's quadratic regression, either of which may be below 0.

    N/C(N) − 1 is regressed on (N − 1)² and N − 1 without an intercept, where C(N) is the rate over
    the rate of one worker; without that, over an even share of the first rate. Raises ValueError as
    `fit`.
    """
    numbers, values = _checked(workers, rates)
    one = values[0] / numbers[0]
    more = numbers - 1
    terms = np.stack([more**2, more], axis=1)
    (square, linear), *_ = np.linalg.lstsq(terms, numbers * one / values - 1)
    return float(linear - square), float(square)


def _checked(workers: Sequence[int], rates: Sequence[float]) -> tuple[Float, Float]:
    """Return both as floats, by rising number of workers."""
    numbers, values = np.array(workers, dtype=np.float64), np.array(rates, dtype=np.float64)
    if len(np.unique(numbers)) < LEAST_POINTS or numbers.shape != values.shape:
        raise ValueError(f"{len(workers)} points: at least {LEAST_POINTS} are needed")
    if numbers.min() < 1 or not (np.isfinite(values) & (values > 0)).all():
        raise ValueError("a rate that is not above 0, or of fewer than one worker")
    order = np.argsort(numbers, kind="stable")
    return numbers[order], values[order]


def _rate(numbers: Float, alpha: float, beta: float, gamma: float) -> Float:
    return gamma * numbers / (1 + alpha * (numbers - 1) + beta * numbers * (numbers - 1))


def _slopes(numbers: Float, alpha: float, beta: float, gamma: float) -> Float:
    """Return the derivatives of `_rate` by the three parameters, shape (n, 3)."""
    more = numbers - 1
    slowed = 1 + alpha * more + beta * numbers * more
    by_alpha = -gamma * numbers * more / slowed**2
    return np.stack([by_alpha, by_alpha * numbers, numbers / slowed], axis=1)
