"""Whether thieves choose their victims evenly: χ² of each thief, and the size of the effect.

Pure: counts in, frozen dataclasses out. Goodness of fit: K. Pearson (1900), Phil. Mag. (5)
50:157–175. p adjusted for several thieves: Y. Benjamini, Y. Hochberg (1995), "Controlling the false
discovery rate", J. R. Statist. Soc. B 57(1):289–300. The bound on randomised work stealing assumes
an even choice (R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720–748).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ...model.stealing import ThiefChoice, VictimChoice
from ...model.vocabulary import Verdict
from .victim_patterns import ORDERS, pattern

if TYPE_CHECKING:
    from ...model.arrays import Float, Int64

LEAST_EXPECTED = 5.0
"""A thief is tested if so many attempts are expected at each victim (W. G. Cochran 1954, "Some
methods for strengthening the common χ² tests", Biometrics 10(4):417–451; from memory)."""
UNEVEN = 0.2
"""The effect size from which on a choice is uneven: between J. Cohen's small (0.1) and medium
(0.3) w. Ours: there is no published line for victims."""
ORDERED = 0.1
"""The same where one order fits every thief: Cohen's small w. Most attempts belong to searches
that find nothing; they try every victim, which hides most of an order."""
SURE = 5.0
"""Standard deviations of χ² that such an effect must exceed; with fewer attempts the verdict is
unknown."""
CHANCE = 1e-5
"""An uneven choice must also be less likely than this by chance: a live pool is judged often."""
MOST_WITH_WORK = 8
"""Up to so many deques non-empty at once the order in a permutation matters: with more, a hit
counts at least nine tenths of an attempt."""
MOST_NEVER_TRIED = 100
NEVER_EXPECTED = 20.0
"""A victim with no attempt, at which an even choice expects so many, is not missed by chance."""

NO_CHOICE = VictimChoice(Verdict.UNKNOWN, "", 0.0, 0.0, 0, 0.0, 0, 1.0, (), ())


def victim_choice(attempts: Int64, hits: Int64 | None = None) -> VictimChoice:
    """Return whether attempts of shape (thieves, victims), square, are spread evenly over victims.

    A thief is tested with at least 5 attempts expected at each victim. An uneven choice by all
    attempts must exceed five standard deviations of χ² (0.2²·attempts ≥ 5√(2·df)). The verdict goes
    by the size of the effect, as a large sample of a nearly even choice has a small p too. A victim
    that is never tried breaks the promise whatever the effect. Where `hits` are known, each counts
    less than an attempt: see `_weighted`. Raises ValueError for unlike shapes.
    """
    attempts, hits = _square(attempts, hits)
    victims = len(attempts) - 1
    # A single victim is no choice, and a damaged stream may hold counts that cannot be.
    if victims < 2 or (hits < 0).any() or (hits > attempts).any():
        return NO_CHOICE
    attempts, hits = _others(attempts), _others(hits)
    totals = attempts.sum(axis=1)
    tested = np.flatnonzero(totals >= LEAST_EXPECTED * victims)
    degrees = len(tested) * (victims - 1)
    everything = int(totals[tested].sum())
    if everything * UNEVEN**2 < SURE * math.sqrt(2 * degrees) or not degrees:
        return NO_CHOICE
    counted = _weighted(attempts[tested], hits[tested])
    thieves, together, p = _chi_square(tested, totals[tested], counted)
    effect = math.sqrt(max(0.0, together - degrees) / float(counted.sum()))
    never = _never_tried(attempts, tested, totals)
    word = pattern(tested, attempts[tested], never=bool(never))
    uneven = effect >= (ORDERED if word in ORDERS else UNEVEN)
    broken = bool(never) or (uneven and p < CHANCE)
    return VictimChoice(
        verdict=Verdict.BROKEN if broken else Verdict.UNKNOWN if uneven else Verdict.KEPT,
        pattern=word if broken else "",
        effect=effect,
        concentration=min(1.0, effect / math.sqrt(victims - 1)),
        attempts=everything,
        chi_square=together,
        degrees=degrees,
        p=p,
        thieves=thieves,
        never_tried=never,
    )


def _square(attempts: Int64, hits: Int64 | None) -> tuple[Int64, Int64]:
    attempts = np.asarray(attempts, dtype=np.int64)
    hits = np.zeros_like(attempts) if hits is None else np.asarray(hits, dtype=np.int64)
    if attempts.ndim != 2 or attempts.shape[0] != attempts.shape[1] or hits.shape != attempts.shape:
        raise ValueError(f"attempts of shape {attempts.shape}, hits of shape {hits.shape}")
    return attempts, hits


def _others(matrix: Int64) -> Int64:
    """Return each row without its diagonal: shape (workers, workers − 1), by victim's index."""
    side = len(matrix)
    return np.asarray(matrix[~np.eye(side, dtype=bool)].reshape(side, side - 1))


def _weighted(attempts: Int64, hits: Int64) -> Float:
    """Return the attempts, with each hit counted as the part of an attempt that is most even.

    Counts of shape (thieves, victims). A search through a random permutation ends at its first hit.
    With k deques non-empty it tries each of them 1/k times and each empty one 1/(k + 1) times,
    though the choice is even. So a hit counts k/(k + 1), or 1 (draws with replacement): the one
    weight, for all thieves, that makes the least of the effect. A thief's Σ(x − x̄)² with
    x = attempts − (1 − weight)·hits is quadratic in 1 − weight, so one pass over the counts is
    enough for all weights.
    """
    thieves, victims = attempts.shape
    with_work = range(1, min(victims, MOST_WITH_WORK + 1)) if hits.any() else ()
    less = 1 - np.array([1.0, *(k / (k + 1) for k in with_work)])[:, None]
    mean_attempts, mean_hits = attempts.mean(axis=1), hits.mean(axis=1)
    around, around_hits = attempts - mean_attempts[:, None], hits - mean_hits[:, None]
    square, square_hits = (around**2).sum(axis=1), (around_hits**2).sum(axis=1)
    product = (around * around_hits).sum(axis=1)
    means = mean_attempts - less * mean_hits  # shape (weights, thieves), as the next
    squares = np.maximum(square - 2 * less * product + less**2 * square_hits, 0.0)
    over = (squares / means).sum(axis=1) - thieves * (victims - 1)
    effects = np.maximum(over, 0.0) / means.sum(axis=1)  # squared, times the number of victims
    return np.asarray(attempts - less[effects.argmin()] * hits)


def _chi_square(
    tested: Int64, totals: Int64, counted: Float
) -> tuple[tuple[ThiefChoice, ...], float, float]:
    """Return each tested thief's χ² against an even choice, their sum, and the p of the sum."""
    from scipy.stats import chi2, chisquare, false_discovery_control  # late: see `rank_test`

    found = chisquare(counted, axis=1)
    together = float(found.statistic.sum())
    columns = (tested, totals, found.statistic, found.pvalue, false_discovery_control(found.pvalue))
    rows = zip(*(column.tolist() for column in columns), strict=True)
    p = float(chi2.sf(together, counted.size - len(counted)))
    return tuple(ThiefChoice(*row) for row in rows), together, p


def _never_tried(attempts: Int64, tested: Int64, totals: Int64) -> tuple[tuple[int, int], ...]:
    often = tested[totals[tested] >= NEVER_EXPECTED * attempts.shape[1]]
    rows, places = (found[:MOST_NEVER_TRIED] for found in np.nonzero(attempts[often] == 0))
    thieves = often[rows]
    victims = places + (places >= thieves)  # the rows leave out the thief: later indices move up
    return tuple(zip(thieves.tolist(), victims.tolist(), strict=True))
