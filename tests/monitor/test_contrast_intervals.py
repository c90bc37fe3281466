"""Intervals of differences: Welch's example, Student's special case, and resampled blocks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import ttest_ind

from idlehands_monitor.analysis.contrast.intervals import between, blocks, ends_around, within


@pytest.mark.parametrize("seed", range(5))
def test_several_values_a_side_give_the_interval_of_welchs_test(seed):
    random = np.random.default_rng(seed)
    first, second = random.normal(10, 1, 4 + seed), random.normal(11, 3, 6)
    theirs = ttest_ind(second, first, equal_var=False)
    ours = between(first.tolist(), second.tolist())
    assert ours.p == pytest.approx(theirs.pvalue)
    assert (ours.low, ours.high) == pytest.approx(theirs.confidence_interval(0.95))


def test_a_single_value_beside_several_is_taken_to_vary_as_they_do():
    # Student's t for one more observation: variance 1 of (9, 10, 11), so the error is sqrt(4/3).
    found = between([9.0, 10.0, 11.0], [14.0])
    reach = 4.302652729911275 * math.sqrt(4 / 3)  # t of 2 degrees, 97.5 %: R. A. Fisher's table
    assert (found.low, found.high) == pytest.approx((4 - reach, 4 + reach))


@pytest.mark.parametrize("sides", [([1.0], [2.0]), ([], [1.0, 2.0]), ([1.0, math.inf], [1.0, 2.0])])
def test_single_values_and_what_is_not_finite_give_no_interval(sides):
    assert between(*sides) is None


def test_equal_values_differ_by_exactly_their_difference():
    assert between([2.0, 2.0], [2.0, 2.0]) == (0.0, 0.0, 1.0)
    assert between([2.0, 2.0], [3.0, 3.0]) == (1.0, 1.0, 0.0)


def test_resampled_rows_are_blocks_of_neighbours():
    rows = blocks(27, 50, np.random.default_rng(1))
    assert rows.shape == (50, 27)
    assert rows.min() >= 0
    assert rows.max() < 27
    assert (np.diff(rows.reshape(50, 9, 3), axis=2) == 1).all()


def mean(rows):
    return rows.mean(axis=1)


@pytest.mark.parametrize("seed", range(3))
def test_the_interval_of_a_mean_within_runs_covers_no_difference_about_as_often_as_it_says(seed):
    random = np.random.default_rng(seed)
    covered = 0
    for _ in range(200):
        first, second = random.normal(0, 1, (2, 60))
        deviations = within(first, second, mean)
        low, high = ends_around(second.mean() - first.mean(), deviations)
        covered += low <= 0 <= high
    assert 0.87 <= covered / 200 <= 0.99  # 95 %, less what blocks of few rows lose


def test_neighbours_that_resemble_each_other_widen_the_interval():
    random = np.random.default_rng(4)
    noise = random.normal(0, 1, 240)
    alike = np.convolve(noise, np.ones(8) / math.sqrt(8), mode="same")
    independent, dependent = (
        np.ptp(ends_around(0.0, within(values[:120], values[120:], mean)))
        for values in (noise, alike)
    )
    assert dependent > 1.5 * independent


def test_too_few_rows_give_no_interval():
    assert within(np.arange(7.0), np.arange(20.0), mean) is None
