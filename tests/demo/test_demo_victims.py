"""Victims are drawn evenly and independently, or in the order a switch asks for."""

from __future__ import annotations

import random
from math import sqrt

import pytest

from idlehands_demo.switches import Switches
from idlehands_demo.victims import VictimChoice, ring_order


def choice(index=0, workers=8, seed=1, switches=None):
    return VictimChoice(index, workers, random.Random(seed), switches)


@pytest.mark.parametrize("index", [0, 3, 7])
def test_victims_are_chosen_evenly(index):
    # Chi-square, 6 degrees of freedom, critical value at 0.001: 22.458
    # (NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.4).
    victims = choice(index)
    counts = dict.fromkeys(victims.others, 0)
    for victim in victims.draws(70_000):
        counts[victim] += 1
    assert len(counts) == 7
    assert index not in counts
    assert sum((count - 10_000) ** 2 / 10_000 for count in counts.values()) < 22.458


@pytest.mark.parametrize("index", [0, 5])
def test_the_first_victim_of_a_sweep_is_chosen_evenly(index):
    # As above: a sweep that ends at its first find must not favour anybody either.
    victims = choice(index)
    counts = dict.fromkeys(victims.others, 0)
    for _ in range(14_000):
        counts[victims.sweep()[0]] += 1
    assert sum((count - 2_000) ** 2 / 2_000 for count in counts.values()) < 22.458


@pytest.mark.parametrize("filled", [1, 2, 5])
def test_random_probing_needs_n_over_k_draws_to_find_one_of_k(filled):
    # W. Feller, An Introduction to Probability Theory and Its Applications I, ch. VI: the
    # first success comes after 1/p draws in the mean, p = k/n, variance (1 - p) / p^2.
    victims, trials = choice(), 20_000
    p = filled / 7
    draws = 0
    for _ in range(trials):
        draws += 1
        while victims.draw() > filled:  # victims 1..k of 1..7 have a task
            draws += 1
    assert draws / trials == pytest.approx(1 / p, abs=5 * sqrt((1 - p) / p**2 / trials))


def test_seeing_every_victim_takes_as_many_draws_as_collecting_coupons():
    # W. Feller, as above, ch. IX: n * H_n = 18.15 draws for n = 7; the variance is
    # n^2 * sum 1/i^2 - n * H_n = 55.9.
    victims, trials = choice(), 10_000
    draws = 0
    for _ in range(trials):
        seen = set()
        while len(seen) < 7:
            seen.add(victims.draw())
            draws += 1
    assert draws / trials == pytest.approx(18.15, abs=5 * sqrt(55.9 / trials))


def test_a_sweep_visits_every_other_worker_once_in_changing_order():
    victims = choice(2)
    sweeps = [victims.sweep() for _ in range(20)]
    assert all(sorted(sweep) == [0, 1, 3, 4, 5, 6, 7] for sweep in sweeps)
    assert len({tuple(sweep) for sweep in sweeps}) > 10


def test_the_same_seed_draws_the_same_victims():
    assert list(choice(seed=4).draws(50)) == list(choice(seed=4).draws(50))


def test_a_lone_worker_has_no_victims():
    lone = choice(0, 1)
    assert list(lone.draws(5)) == []
    assert lone.sweep() == []


def test_fixed_order_begins_every_search_at_the_lowest_index():
    victims = choice(2, 5, switches=Switches(victims_in_fixed_order=True))
    assert list(victims.draws(6)) == [0, 1, 3, 4, 0, 1]
    assert list(victims.draws(2)) == [0, 1]
    assert victims.sweep() == [0, 1, 3, 4]


def test_nearest_neighbour_goes_by_distance_on_the_ring():
    victims = choice(0, 5, switches=Switches(victims_nearest_neighbour=True))
    assert list(victims.draws(2)) == [1, 4]
    assert victims.sweep() == [1, 4, 2, 3]


@pytest.mark.parametrize(("workers", "order"), [(1, []), (2, [0]), (8, [2, 0, 3, 7, 4, 6, 5])])
def test_the_ring_holds_every_other_worker_once(workers, order):
    assert ring_order(1 % workers, workers) == order


def test_two_victim_orders_at_once_are_refused():
    with pytest.raises(ValueError, match="one order"):
        Switches(victims_in_fixed_order=True, victims_nearest_neighbour=True)
