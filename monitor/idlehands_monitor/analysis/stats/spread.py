"""How evenly something is spread over workers: fairness and load imbalance.

Pure. Loads are amounts of one unit, shape (n,), none below 0. Loads that are all 0 are equal, so
both measures say even.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Imbalance:
    """Load imbalance: both 0 where all loads are equal.

    excess: max/mean − 1; n − 1 where one worker has everything (O. Pearce, T. Gamblin,
    B. R. de Supinski, M. Schulz, N. M. Amato 2012, "Quantifying the effectiveness of load balance
    algorithms", ICS '12, 185–194). time: max − mean in the unit of the loads, by which the busiest
    worker takes longer than if all loads were equal (L. DeRose, B. Homer, D. Johnson 2007,
    "Detecting application load imbalance on high end massively parallel systems", Euro-Par 2007,
    LNCS 4641:150–159).
    """

    excess: float
    time: float


def jain(loads: npt.ArrayLike) -> float:
    """Return Jain's fairness index (Σx)²/(n·Σx²): 1 where all have the same, k/n where k of n do.

    R. K. Jain, D.-M. W. Chiu, W. R. Hawe (1984), "A quantitative measure of fairness and
    discrimination for resource allocation in shared computer systems", DEC-TR-301; also in
    RFC 5166. Raises ValueError for no loads, or one that is negative or not finite.
    """
    values = _loads(loads)
    most = values.max()
    if most == 0:
        return 1.0
    shares = values / most  # squares of nanoseconds are best kept small
    return float(shares.sum() ** 2 / (len(shares) * (shares**2).sum()))


def imbalance(loads: npt.ArrayLike) -> Imbalance:
    """Return the load imbalance. Raises ValueError as `jain`."""
    values = _loads(loads)
    most, mean = float(values.max()), float(values.mean())
    if most == 0:
        return Imbalance(0.0, 0.0)
    over = max(0.0, most - mean)  # the mean of equal loads may round to just above them
    return Imbalance(over / mean, over)


def _loads(loads: npt.ArrayLike) -> npt.NDArray[np.float64]:
    values = np.asarray(loads, dtype=np.float64)
    if values.ndim != 1 or not len(values):
        raise ValueError("there are no loads to compare")
    if not np.isfinite(values).all() or (values < 0).any():
        raise ValueError("a load is negative or not finite")
    return values
