"""Whether values of one group tend to be larger than those of another: ranks, no distribution.

Pure. H. B. Mann, D. R. Whitney (1947), "On a test of whether one of two random variables is
stochastically larger than the other", Ann. Math. Stat. 18(1):50–60. The effect size is the
probability of superiority, A of A. Vargha, H. D. Delaney (2000), "A critique and improvement of the
CL common language effect size statistics", J. Educ. Behav. Stat. 25(2):101–132 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ...model.arrays import Float, Int64


@dataclass(frozen=True, slots=True)
class RankTest:
    """The two-sided p by the normal approximation of U, 1 where all values are equal.

    superiority: the probability that a value of the first group is larger than one of the second;
    equal values count half. error: the standard error of superiority if the groups do not differ.
    """

    p: float
    superiority: float
    error: float


def rank_test(first: Int64 | Float, second: Int64 | Float) -> RankTest:
    """Compare two groups of shape (m,) and (n,), corrected for ties and for continuity.

    Raises ValueError where one group is empty.
    """
    # scipy.stats takes 0.6 s to import. It is imported inside the functions that need it, here
    # and in `evenness`, so only a command that reads a pool that steals waits for it.
    from scipy.stats import mannwhitneyu, tiecorrect

    m, n = len(first), len(second)
    if not m or not n:
        raise ValueError(f"groups of {m} and {n} values cannot be compared")
    # The correction counts equal ranks. Equal values are as many, so nothing is ranked for it.
    ties = float(tiecorrect(np.concatenate([first, second])))
    if not ties:  # all values are equal, so U has no deviation to divide by
        return RankTest(1.0, 0.5, 0.0)
    test = mannwhitneyu(first, second, use_continuity=True, method="asymptotic")
    deviation = math.sqrt(m * n / 12 * (m + n + 1) * ties)
    return RankTest(float(test.pvalue), float(test.statistic) / (m * n), deviation / (m * n))
