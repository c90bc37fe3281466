"""Chi-square, association, many tests at once, and from them: are victims chosen evenly?

Pure: counts in, frozen dataclasses out. Goodness of fit: K. Pearson (1900), Phil. Mag. (5)
50:157–175; cells of few expected are pooled (W. G. Cochran 1954, "Some methods for strengthening
the common χ² tests", Biometrics 10(4):417–451; from memory). That victims are drawn evenly is
what the bound on randomised work stealing rests on (R. D. Blumofe, C. E. Leiserson 1999, J. ACM
46(5):720–748).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc

from ...model.stealing import ThiefChoice, VictimChoice
from ...model.vocabulary import Verdict
from .victim_patterns import ORDERS, pattern

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.arrays import Float, Int64

LEAST_EXPECTED = 5.0
"""Cells of which fewer are expected are pooled (Cochran, above)."""
UNEVEN = 0.2
"""The effect size from which on a choice is uneven: between J. Cohen's small (0.1) and medium
(0.3) w. Ours: there is no published line for victims."""
ORDERED = 0.1
"""The same where an order fits every thief: Cohen's small w. Most looks of a search that finds
nothing go all the way round, which hides most of an order."""
SURE = 5.0
"""Standard deviations of χ² that such an effect must exceed; with fewer looks nothing is said."""
CHANCE = 1e-5
"""An uneven choice must also be less likely than this by chance: a live pool is judged often."""
MOST_WITH_WORK = 8
"""Up to so many deques non-empty at once the order in a permutation matters: beyond, a hit counts
at least nine tenths of a look."""
MOST_NEVER_TRIED = 100
NEVER_EXPECTED = 20.0
"""Looks that an even choice expects at a victim, with none of them made, that are no chance."""


@dataclass(frozen=True, slots=True)
class ChiSquare:
    """Pearson's statistic, its degrees of freedom, and the chance of at least as much.

    With no degrees of freedom left p is 1.
    """

    statistic: float
    degrees: int
    p: float


NO_CHOICE = VictimChoice(Verdict.UNKNOWN, "", 0.0, 0.0, 0, 0.0, 0, 1.0, (), ())


def chi_square(
    observed: Sequence[float] | Int64 | Float,
    expected: Sequence[float] | Int64 | Float,
    least: float = LEAST_EXPECTED,
) -> ChiSquare:
    """Return Pearson's χ² = Σ(o − e)²/e of counts of shape (cells,), cells − 1 degrees of freedom.

    Neighbouring cells are pooled, from the first on, until `least` are expected in each; what is
    left over goes to the last. Raises ValueError for unlike shapes, no cells, negative numbers,
    sums that differ, or something observed where nothing is expected.
    """
    seen, wanted = np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    if seen.ndim != 1 or seen.shape != wanted.shape or not len(seen):
        raise ValueError(f"counts of shape {seen.shape} against {wanted.shape} expected")
    if not (np.isfinite(seen).all() and np.isfinite(wanted).all()):
        raise ValueError("counts must be finite")
    if (seen < 0).any() or (wanted < 0).any():
        raise ValueError("counts are not below 0")
    if not math.isclose(seen.sum(), wanted.sum(), rel_tol=1e-6) or not wanted.sum():
        raise ValueError(f"{seen.sum()} observed and {wanted.sum()} expected")
    seen, wanted = _pooled(seen, wanted, least)
    if (seen[wanted == 0] > 0).any():
        raise ValueError("something was observed where nothing is expected")
    some = wanted > 0
    statistic = float(((seen[some] - wanted[some]) ** 2 / wanted[some]).sum())
    return ChiSquare(statistic, len(seen) - 1, _upper_tail(len(seen) - 1, statistic))


def _pooled(seen: Float, wanted: Float, least: float) -> tuple[Float, Float]:
    starts, inside = [0], 0.0
    for cell, amount in enumerate(wanted.tolist()):
        if cell > starts[-1] and inside >= least:
            starts.append(cell)
            inside = 0.0
        inside += amount
    if inside < least and len(starts) > 1:
        starts.pop()
    return np.add.reduceat(seen, starts), np.add.reduceat(wanted, starts)


def _upper_tail(degrees: int, statistic: float) -> float:
    return float(chdtrc(degrees, statistic)) if degrees > 0 else 1.0


def cramers_v(table: Sequence[Sequence[float]] | Int64 | Float) -> float:
    """Return Cramér's V = √(χ²/(n·min(r − 1, c − 1))) of a table of counts, shape (r, c).

    Rows and columns without a count are left out. H. Cramér (1946), Mathematical Methods of
    Statistics, ch. 21. Raises ValueError where fewer than two rows or columns are left.
    """
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or (counts < 0).any():
        raise ValueError("a table has rows and columns, and counts not below 0")
    counts = counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]
    least = min(counts.shape) - 1
    if least < 1:
        raise ValueError(f"a table of shape {counts.shape} shows no association")
    total = counts.sum()
    wanted = np.outer(counts.sum(axis=1), counts.sum(axis=0)) / total
    return math.sqrt(float(((counts - wanted) ** 2 / wanted).sum()) / (total * least))


def benjamini_hochberg(p_values: Sequence[float] | Float) -> Float:
    """Return the p-values adjusted for being many, shape (tests,), in their order.

    Those at most q are the rejections with false discovery rate q. Y. Benjamini, Y. Hochberg
    (1995), "Controlling the false discovery rate", J. R. Statist. Soc. B 57(1):289–300. Raises
    ValueError for values outside [0, 1].
    """
    values = np.asarray(p_values, dtype=np.float64)
    if values.ndim != 1 or not ((values >= 0) & (values <= 1)).all():
        raise ValueError("p-values lie in [0, 1]")
    order = np.argsort(values, kind="stable")
    steps = values[order] * len(values) / np.arange(1, len(values) + 1)
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(np.minimum.accumulate(steps[::-1])[::-1], 1.0)
    return np.maximum(adjusted, values)  # p·n/n may round to below p


def victim_choice(attempts: Int64, hits: Int64 | None = None) -> VictimChoice:
    """Return whether attempts of shape (thieves, victims), square, are spread evenly over victims.

    A thief is tested with at least 5 looks expected at each victim; in all there must be so many
    that an uneven choice exceeds five standard deviations of χ² (0.2²·looks ≥ 5√(2·df)). The
    verdict goes by the size of the effect, as a large sample of a nearly even choice has a small
    p too; a victim that is never tried breaks the promise whatever the effect.

    A search through a random permutation ends at its first hit, so with k deques non-empty it
    looks at each of those 1/k times and at each empty one 1/(k + 1) times, though the choice is
    even. Where `hits` are known, each counts k/(k + 1) with the k (or all: draws with
    replacement) that makes the least of the effect. Raises ValueError for unlike shapes.
    """
    attempts, took = _square(attempts, hits)
    victims = len(attempts) - 1
    if victims < 2 or (attempts < 0).any():  # a single victim is no choice
        return NO_CHOICE
    attempts, took = _others(attempts), _others(took)
    totals = attempts.sum(axis=1)
    tested = np.flatnonzero(totals >= LEAST_EXPECTED * victims)
    degrees = len(tested) * (victims - 1)
    everything = int(totals[tested].sum())
    if everything * UNEVEN**2 < SURE * math.sqrt(2 * degrees) or not degrees:
        return NO_CHOICE
    with_work = range(1, min(victims, MOST_WITH_WORK + 1)) if took.any() else ()
    weights = [1.0, *(k / (k + 1) for k in with_work)]
    effect, statistics = _least_effect(attempts[tested], took[tested], weights)
    never = _never_tried(attempts, tested, totals)
    thieves = _thieves(tested, totals, statistics, victims - 1)
    together = sum(thief.chi_square for thief in thieves)
    p = _upper_tail(degrees, together)
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
    took = np.zeros_like(attempts) if hits is None else np.asarray(hits, dtype=np.int64)
    if attempts.ndim != 2 or attempts.shape[0] != attempts.shape[1] or took.shape != attempts.shape:
        raise ValueError(f"attempts of shape {attempts.shape}, hits of shape {took.shape}")
    return attempts, took


def _others(matrix: Int64) -> Int64:
    """Return each row without its diagonal: shape (workers, workers − 1), by victim's index."""
    side = len(matrix)
    return np.asarray(matrix[~np.eye(side, dtype=bool)].reshape(side, side - 1))


def _least_effect(attempts: Int64, took: Int64, weights: Sequence[float]) -> tuple[float, Float]:
    """Return (the effect, χ² of each thief) with that weight of a hit that makes the least of it.

    Counts of shape (thieves, victims). A thief's Σ(x − x̄)² with x = look − (1 − weight)·hit is a
    square in the weight, so the counts are gone through once.
    """
    mean_attempts, mean_took = attempts.mean(axis=1), took.mean(axis=1)
    around, around_took = attempts - mean_attempts[:, None], took - mean_took[:, None]
    square, square_took = (around**2).sum(axis=1), (around_took**2).sum(axis=1)
    product = (around * around_took).sum(axis=1)
    thieves, victims = attempts.shape

    def weighed(weight: float) -> tuple[float, Float]:
        less = 1 - weight
        means = mean_attempts - less * mean_took
        squares = square - 2 * less * product + less**2 * square_took
        statistics = np.maximum(squares, 0.0) / np.maximum(means, 1e-9)
        over = float(statistics.sum()) - thieves * (victims - 1)
        return math.sqrt(max(0.0, over) / float(means.sum() * victims)), statistics

    return min(map(weighed, weights), key=lambda pair: pair[0])


def _thieves(
    tested: Int64, totals: Int64, statistics: Float, degrees: int
) -> tuple[ThiefChoice, ...]:
    p_values = [_upper_tail(degrees, statistic) for statistic in statistics.tolist()]
    adjusted = benjamini_hochberg(p_values).tolist()
    return tuple(
        ThiefChoice(thief, attempts, statistic, p, more)
        for thief, attempts, statistic, p, more in zip(
            tested.tolist(),
            totals[tested].tolist(),
            statistics.tolist(),
            p_values,
            adjusted,
            strict=True,
        )
    )


def _never_tried(attempts: Int64, tested: Int64, totals: Int64) -> tuple[tuple[int, int], ...]:
    often = tested[totals[tested] >= NEVER_EXPECTED * attempts.shape[1]]
    rows, places = (found[:MOST_NEVER_TRIED] for found in np.nonzero(attempts[often] == 0))
    thieves = often[rows]
    victims = places + (places >= thieves)  # behind the thief's own place all move up by one
    return tuple(zip(thieves.tolist(), victims.tolist(), strict=True))
