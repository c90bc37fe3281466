"""What a random choice of victims predicts: attempts for each hit, and how many victims had work.

Pure. A thief may try n victims, k of which have work, and each attempt is at any of the n again
(draws with replacement). The number of attempts up to a hit then has a geometric distribution with
mean n/k: W. Feller, An Introduction to Probability Theory and Its Applications I (from memory);
M. Mitzenmacher, E. Upfal, Probability and Computing (from memory).
"""

from __future__ import annotations

import math


def attempts_per_hit(victims: int, with_work: float) -> float:
    """Return the mean number of steal attempts for each hit, n/k; infinite where nobody has work.

    with_work: k, a mean over attempts, so it may be a fraction. Raises ValueError for fewer than
    one victim or a k below 0.
    """
    _require_victims(victims)
    if with_work < 0:
        raise ValueError(f"{with_work} victims with work: not below 0")
    return victims / with_work if with_work else math.inf


def implied_with_work(victims: int, attempts: int, hits: int) -> float:
    """Return how many victims had work on average if the choice was random: k = n·hits/attempts.

    Hits come at the rate k/n whatever the order of events. Raises ValueError unless
    0 <= hits <= attempts and attempts >= 1, and for fewer than one victim.
    """
    _require_victims(victims)
    if not 0 <= hits <= attempts or attempts < 1:
        raise ValueError(f"{hits} hits in {attempts} attempts")
    return victims * hits / attempts


def _require_victims(victims: int) -> None:
    if victims < 1:
        raise ValueError(f"{victims} victims: at least one is needed")
