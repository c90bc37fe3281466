"""Looking for work at random, against published formulas, exact sums and seeded searches."""

from __future__ import annotations

import math
import random
from fractions import Fraction
from itertools import combinations

import pytest

from idlehands_monitor.analysis.stealing.random_choice import (
    attempts_per_hit,
    attempts_to_see_all,
    attempts_variance,
    implied_with_work,
    shared_style,
    unseen,
)

# W. Feller, An Introduction to Probability Theory and Its Applications I; M. Mitzenmacher,
# E. Upfal, Probability and Computing. Formulas from memory, numbers computed exactly.


@pytest.mark.parametrize("workers", range(2, 17))
def test_one_deque_with_work_takes_as_many_looks_as_there_are_others(workers):
    assert attempts_per_hit(workers - 1, 1) == workers - 1
    assert attempts_variance(workers - 1, 1) == (workers - 1) * (workers - 2)


@pytest.mark.parametrize("workers", range(2, 17))
def test_one_deque_with_work_takes_half_as_many_looks_without_replacement(workers):
    assert attempts_per_hit(workers - 1, 1, replacement=False) == workers / 2


@pytest.mark.parametrize(("victims", "with_work"), [(1, 1), (4, 2), (7, 1), (7, 3), (9, 9)])
def test_looks_without_replacement_are_the_mean_over_all_places_of_the_work(victims, with_work):
    firsts = [places[0] + 1 for places in combinations(range(victims), with_work)]
    exact = Fraction(sum(firsts), len(firsts))
    assert attempts_per_hit(victims, with_work, replacement=False) == pytest.approx(float(exact))


@pytest.mark.parametrize(("victims", "with_work"), [(7, 1), (7, 3), (15, 2)])
def test_looks_with_replacement_are_those_of_seeded_searches(victims, with_work):
    draw, searches = random.Random(3), 20_000
    counts = []
    for _ in range(searches):
        attempts = 1
        while draw.randrange(victims) >= with_work:
            attempts += 1
        counts.append(attempts)
    mean = sum(counts) / searches
    error = math.sqrt(attempts_variance(victims, with_work) / searches)
    assert abs(mean - attempts_per_hit(victims, with_work)) < 4 * error
    variance = sum((count - mean) ** 2 for count in counts) / searches
    assert variance == pytest.approx(attempts_variance(victims, with_work), rel=0.06)


def test_nobody_with_work_is_looked_for_without_end():
    assert attempts_per_hit(7, 0) == attempts_per_hit(7, 0, replacement=False) == math.inf
    assert attempts_variance(7, 0) == math.inf


def test_everybody_with_work_takes_one_look():
    assert attempts_per_hit(7, 7) == attempts_per_hit(7, 7, replacement=False) == 1
    assert attempts_variance(7, 7) == 0


@pytest.mark.parametrize(
    ("victims", "attempts"),
    [
        (1, 1),
        (2, 3),
        (3, 5.5),
        (4, 8.3333333),
        (7, 18.15),
        (8, 21.742857),
        (15, 49.773435),
        (31, 124.844601),
    ],
)
def test_seeing_every_victim_takes_the_coupon_collectors_looks(victims, attempts):
    assert attempts_to_see_all(victims) == pytest.approx(attempts, abs=5e-7)


@pytest.mark.parametrize(("bins", "empty"), [(8, 2.748871), (16, 5.697186)])
def test_as_many_looks_as_victims_leave_the_empty_bins_out(bins, empty):
    assert unseen(bins, bins) == pytest.approx(empty, abs=5e-7)


@pytest.mark.parametrize(
    ("workers", "seen"),
    [(2, 1.5), (3, 2.111111), (4, 2.734375), (8, 5.251128673553), (16, 10.302814)],
)
def test_as_many_throws_as_bins_hit_that_many_different_ones(workers, seen):
    # The bins of the lemma on balls and weighted bins in N. S. Arora, R. D. Blumofe, C. G. Plaxton
    # (2001), Theory Comput. Syst. 34(2):115-144, with equal weights; computed in exact fractions.
    assert workers - unseen(workers, workers) == pytest.approx(seen, abs=5e-7)


def test_no_looks_leave_everybody_out():
    assert unseen(7, 0) == 7


def test_a_single_victim_is_seen_by_one_look():
    assert unseen(1, 1) == 0


def test_of_twenty_three_people_two_share_a_birthday_more_often_than_not():
    # The classic number, 0.507297.
    assert shared_style(365, 23) == pytest.approx(0.507297, abs=5e-7)


def test_more_thieves_than_victims_must_meet():
    assert shared_style(3, 4) == 1
    assert shared_style(3, 1) == shared_style(3, 0) == 0


def test_hits_at_random_tell_how_many_had_work():
    assert implied_with_work(7, 700, 100) == 1
    assert implied_with_work(7, 10, 0) == 0
    assert attempts_per_hit(7, 2) == pytest.approx(7 / implied_with_work(7, 7, 2))


@pytest.mark.parametrize(
    "call",
    [
        lambda: attempts_per_hit(0, 0),
        lambda: attempts_per_hit(3, 4),
        lambda: attempts_variance(3, -1),
        lambda: attempts_to_see_all(0),
        lambda: unseen(0, 1),
        lambda: unseen(3, -1),
        lambda: shared_style(3, -1),
        lambda: implied_with_work(3, 0, 0),
        lambda: implied_with_work(3, 2, 3),
    ],
)
def test_impossible_numbers_are_refused(call):
    with pytest.raises(ValueError, match=r"victims|attempts|thieves"):
        call()
