"""Whether values of one group tend to be larger than those of another: ranks, no distribution.

Pure. H. B. Mann, D. R. Whitney (1947), "On a test of whether one of two random variables is
stochastically larger than the other", Ann. Math. Stat. 18(1):50–60. The effect size is the
probability of superiority, A of A. Vargha, H. D. Delaney (2000), "A critique and improvement of the
CL common language effect size statistics", J. Educ. Behav. Stat. 25(2):101–132; Cliff's delta is
2A − 1 (N. Cliff 1993, "Dominance statistics", Psychol. Bull. 114(3):494–509; both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ...model.arrays import Int64


@dataclass(frozen=True, slots=True)
class RankTest:
    """U of the first group; the two-sided p of the normal approximation, 1 where all are equal.

    superiority: the probability that a value of the first group is the larger, equal ones counted
    half; error: its standard error if the groups do not differ.
    """

    u: float
    p: float
    superiority: float
    error: float

    @property
    def delta(self) -> float:
        """Cliff's delta: from −1 (every value of the first group is smaller) to 1."""
        return 2 * self.superiority - 1


def rank_test(first: Int64, second: Int64) -> RankTest:
    """Compare two groups of shape (m,) and (n,), corrected for ties and for continuity.

    Raises ValueError where one is empty.
    """
    m, n = len(first), len(second)
    if not m or not n:
        raise ValueError(f"groups of {m} and {n} values cannot be compared")
    _, which, ties = np.unique(
        np.concatenate([first, second]), return_inverse=True, return_counts=True
    )
    mean_rank = np.cumsum(ties) - (ties - 1) / 2  # equal values share the mean of their ranks
    u = float(mean_rank[which[:m]].sum()) - m * (m + 1) / 2
    total = m + n
    tied = float((ties.astype(np.float64) ** 3 - ties).sum()) / (total * (total - 1))
    deviation = math.sqrt(max(0.0, m * n / 12 * (total + 1 - tied)))
    away = abs(u - m * n / 2) - 0.5
    p = min(1.0, math.erfc(away / deviation / math.sqrt(2))) if deviation else 1.0
    return RankTest(u, p, u / (m * n), deviation / (m * n))
