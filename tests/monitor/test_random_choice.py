"""Random choice of victims against published formulas and seeded searches."""

from __future__ import annotations

import math
import random

import pytest

from idlehands_monitor.analysis.stealing.random_choice import attempts_per_hit, implied_with_work

# W. Feller, An Introduction to Probability Theory and Its Applications I; M. Mitzenmacher,
# E. Upfal, Probability and Computing. Formulas from memory, numbers computed exactly.


@pytest.mark.parametrize("workers", range(2, 17))
def test_one_deque_with_work_takes_as_many_attempts_as_there_are_others(workers):
    assert attempts_per_hit(workers - 1, 1) == workers - 1


def attempts_of_searches(victims, with_work, searches):
    """Return the number of attempts of each of so many seeded searches with replacement."""
    draw, counts = random.Random(3), []
    for _ in range(searches):
        attempts = 1
        while draw.randrange(victims) >= with_work:
            attempts += 1
        counts.append(attempts)
    return counts


@pytest.mark.parametrize(("victims", "with_work"), [(7, 1), (7, 3), (15, 2)])
def test_attempts_for_each_hit_are_those_of_seeded_searches(victims, with_work):
    counts = attempts_of_searches(victims, with_work, 20_000)
    # The variance of the geometric distribution is n(n - k)/k^2.
    error = math.sqrt(victims * (victims - with_work) / with_work**2 / len(counts))
    mean = sum(counts) / len(counts)
    assert abs(mean - attempts_per_hit(victims, with_work)) < 4 * error


@pytest.mark.parametrize(("victims", "with_work"), [(7, 1), (7, 3), (15, 2)])
def test_hits_of_seeded_searches_imply_how_many_victims_had_work(victims, with_work):
    counts = attempts_of_searches(victims, with_work, 20_000)
    implied = implied_with_work(victims, sum(counts), len(counts))
    assert implied == pytest.approx(with_work, rel=0.03)


def test_where_nobody_has_work_no_number_of_attempts_is_enough():
    assert attempts_per_hit(7, 0) == math.inf


def test_where_everybody_has_work_one_attempt_is_enough():
    assert attempts_per_hit(7, 7) == 1


def test_the_number_of_victims_with_work_may_be_a_mean():
    assert attempts_per_hit(7, 0.5) == 14


def test_hits_at_random_show_how_many_had_work():
    assert implied_with_work(7, 700, 100) == 1
    assert implied_with_work(7, 10, 0) == 0
    assert attempts_per_hit(7, 2) == pytest.approx(7 / implied_with_work(7, 7, 2))


@pytest.mark.parametrize(
    "call",
    [
        lambda: attempts_per_hit(0, 0),
        lambda: attempts_per_hit(3, -1),
        lambda: implied_with_work(0, 1, 0),
        lambda: implied_with_work(3, 0, 0),
        lambda: implied_with_work(3, 2, 3),
    ],
)
def test_impossible_numbers_are_refused(call):
    with pytest.raises(ValueError, match=r"victims|attempts"):
        call()
