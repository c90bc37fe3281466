"""What random choice predicts of looking for work: looks per hit, looks to see all, collisions.

Pure. n victims can be looked at, k of them have work, and each look is at a random one: either any
of the n again ("with replacement"), or one not yet looked at in this search (a random permutation).
W. Feller, An Introduction to Probability Theory and Its Applications I (from memory);
M. Mitzenmacher, E. Upfal, Probability and Computing (from memory).
"""

from __future__ import annotations

import math


def attempts_per_hit(victims: int, with_work: int, *, replacement: bool = True) -> float:
    """Return the mean number of looks up to the first hit; infinite where nobody has work.

    n/k with replacement (the geometric distribution), (n + 1)/(k + 1) without. Raises ValueError
    unless 0 <= k <= n and n >= 1.
    """
    _require(victims, with_work)
    if not with_work:
        return math.inf
    return victims / with_work if replacement else (victims + 1) / (with_work + 1)


def attempts_variance(victims: int, with_work: int) -> float:
    """Return the variance of the looks up to the first hit with replacement, n(n − k)/k².

    Infinite where nobody has work. Raises ValueError as `attempts_per_hit`.
    """
    _require(victims, with_work)
    return victims * (victims - with_work) / with_work**2 if with_work else math.inf


def attempts_to_see_all(victims: int) -> float:
    """Return the mean looks with replacement until every victim was seen, n·Hₙ: the coupon
    collector's.

    Raises ValueError for fewer than one victim.
    """
    _require(victims, 0)
    return victims * math.fsum(1 / number for number in range(1, victims + 1))


def unseen(victims: int, attempts: int) -> float:
    """Return how many victims so many looks with replacement leave out, n(1 − 1/n)^looks.

    The empty bins of balls thrown at random. Raises ValueError for fewer than one victim or
    looks below 0.
    """
    _require(victims, 0)
    if attempts < 0:
        raise ValueError(f"{attempts} attempts: not below 0")
    return victims * (1 - 1 / victims) ** attempts


def shared_style(victims: int, thieves: int) -> float:
    """Return the chance that of so many looks at random two or more are at one victim.

    1 − Π(1 − i/n), the birthday problem. Raises ValueError for fewer than one victim or
    thieves below 0.
    """
    _require(victims, 0)
    if thieves < 0:
        raise ValueError(f"{thieves} thieves: not below 0")
    if thieves > victims:
        return 1.0
    return 1 - math.prod(1 - taken / victims for taken in range(thieves))


def implied_with_work(victims: int, attempts: int, hits: int) -> float:
    """Return how many victims must have had work on average if looks were at random, k = n·hits/
    looks.

    By looks with replacement: hits come at the rate k/n whatever the order of events. Raises
    ValueError unless 0 <= hits <= looks and looks >= 1.
    """
    _require(victims, 0)
    if not 0 <= hits <= attempts or attempts < 1:
        raise ValueError(f"{hits} hits in {attempts} attempts")
    return victims * hits / attempts


def _require(victims: int, with_work: int) -> None:
    if victims < 1 or not 0 <= with_work <= victims:
        raise ValueError(f"{with_work} of {victims} victims with work")
