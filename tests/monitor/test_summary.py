"""Summaries against NIST's reference data, quantiles and Wilson against published values."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from nist import DATASETS
from scipy import stats

from idlehands_monitor.analysis.stats.summary import (
    quantile,
    quantile_of_sorted,
    summarise,
    wilson,
)

# NIST Statistical Reference Datasets, Univariate Summary Statistics; NumAcc1 to 4 after
# S. D. Simon, J. P. Lesage (1989), Comput. Statist. Data Anal. 8:325-332. All certified exactly.
NUMACC1 = np.array([10000001, 10000003, 10000002])
NUMACC2 = np.array([1.2, *[1.1, 1.3] * 500])
NUMACC3 = np.array([1000000.2, *[1000000.1, 1000000.3] * 500])
NUMACC4 = np.array([10000000.2, *[10000000.1, 10000000.3] * 500])


def right_digits(found, certified):
    """Return how many decimal digits of `found` are right, 16 at most."""
    if found == certified:
        return 16.0
    return min(16.0, -math.log10(abs(found - certified) / abs(certified)))


@pytest.mark.parametrize(
    ("values", "mean", "deviation", "digits"),
    [
        (NUMACC1, 10000002, 1, 15),
        (NUMACC2, 1.2, 0.1, 14),
        (NUMACC3, 1000000.2, 0.1, 9.4),
        (NUMACC4, 10000000.2, 0.1, 8.2),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_a_summary_has_as_many_right_digits_as_the_data_allow(values, mean, deviation, digits):
    # The values of NumAcc3 and 4 are no binary fractions: 64 bits leave 9.4 and 8.2 digits of
    # their deviations.
    found = summarise(values)
    assert right_digits(found.mean, mean) >= 14.5
    assert right_digits(found.deviation, deviation) >= digits


def test_the_one_pass_formula_fails_where_ours_does_not():
    one_pass = ((NUMACC4**2).sum() - NUMACC4.sum() ** 2 / 1001) / 1000
    assert abs(one_pass - 0.01) > 0.01
    assert summarise(NUMACC4).deviation == pytest.approx(0.1, rel=1e-8)


def digits_of_pi(count):
    """Return the first digits of π, by Machin's formula in integers."""
    one = 10 ** (count + 10)

    def arctangent_of_one_over(x):
        total = term = one // x
        n, sign = 3, -1
        while term:
            term //= x * x
            total += sign * (term // n)
            n, sign = n + 2, -sign
        return total

    pi = 4 * (4 * arctangent_of_one_over(5) - arctangent_of_one_over(239))
    head, tail = divmod(pi, 10**2500)  # an integer this long is not written in one go
    return [int(digit) for digit in f"{head}{tail:02500d}"[:count]]


def test_the_summary_of_the_digits_of_pi_is_the_certified_one():
    # NIST PiDigits: the data have a 3 as their 957th digit, where π has an 8.
    digits = digits_of_pi(5000)
    assert digits[956] == 8
    digits[956] = 3
    found = summarise(np.array(digits))
    assert found.mean == pytest.approx(4.53480000000000, rel=1e-14)
    assert found.deviation == pytest.approx(2.86733906028871, rel=1e-14)


@pytest.mark.parametrize("certified", DATASETS, ids=lambda certified: certified.name)
def test_the_summary_of_observed_data_is_the_certified_one(certified):
    """Mean to 14 digits, deviation to 12: all that double precision lets Mavro have."""
    found = summarise(np.array(certified.values))
    assert found.mean == pytest.approx(certified.mean, rel=1e-14)
    assert found.deviation == pytest.approx(certified.deviation, rel=1e-12)


@given(
    st.lists(st.integers(-(1 << 62), (1 << 62) - 1), min_size=2, max_size=30),
    st.integers(0, 50),
)
def test_the_summary_of_nanoseconds_is_that_of_exact_arithmetic(values, shift):
    values = [value >> shift for value in values]
    found = summarise(np.array(values, dtype=np.int64))
    assert found.mean == pytest.approx(float(statistics.mean(values)), rel=1e-9, abs=1e4)
    assert found.deviation == pytest.approx(statistics.stdev(values), rel=1e-9)


@given(st.lists(st.integers(0, 1000), min_size=2, max_size=30), st.integers(0, 1 << 62))
@example([0, 1], 1 << 62)
def test_a_late_clock_changes_no_deviation(values, since_boot):
    early = summarise(np.array(values, dtype=np.int64))
    late = summarise(np.array(values, dtype=np.int64) + since_boot)
    assert early.deviation == late.deviation


def test_differences_that_outgrow_64_bits_do_not_wrap_round():
    most = (1 << 63) - 1
    assert summarise(np.array([-most, most])).deviation == pytest.approx(math.sqrt(2) * 2.0**63)


def test_one_value_has_no_deviation_and_no_values_have_no_summary():
    one = summarise(np.array([5]))
    assert one.mean == 5
    assert math.isnan(one.deviation)
    with pytest.raises(ValueError, match="no values"):
        summarise(np.array([]))


def test_the_squared_variation_of_exponential_times_is_one():
    times = np.random.default_rng(7).exponential(3.0, 100_000)
    assert summarise(times).variation == pytest.approx(1.0, abs=0.03)
    assert math.isnan(summarise(np.array([0, 0])).variation)


# -- quantiles ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p", "expected"), [(0.25, 35 / 12), (0.5, 5.5), (0.9, 289 / 30), (0.95, 10)]
)
def test_quantiles_of_one_to_ten_are_those_of_type_8(p, expected):
    # R. J. Hyndman, Y. Fan (1996), Amer. Statist. 50(4):361-365, definition 8, in exact fractions.
    assert quantile(np.arange(1, 11), p) == pytest.approx(expected, rel=1e-14)


def test_the_ninetieth_percentile_of_wafers_is_the_published_one():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2, R8 (R7 would give 95.1957).
    wafers = (95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610)
    wafers += (95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682)
    assert quantile(np.array(wafers), 0.9) == pytest.approx(95.197243, abs=5e-7)


@given(st.lists(st.integers(0, 10**15), min_size=1, max_size=30))
def test_a_median_is_the_mean_of_the_middle_two(values):
    assert quantile(np.array(values), 0.5) == statistics.median(values)


@given(st.lists(st.integers(0, 10**12), min_size=1, max_size=40), st.floats(0, 1))
def test_quantiles_of_values_in_order_are_the_same(values, p):
    ordered = np.sort(np.array(values))
    found = quantile_of_sorted(ordered, p)
    assert found == pytest.approx(quantile(ordered, p), rel=1e-12, abs=1e-9)


def test_quantiles_of_values_that_lie_more_than_64_bits_apart_do_not_wrap_round():
    most = (1 << 63) - 1
    assert quantile(np.array([-most, most]), 0.5) == 0


def test_quantiles_outside_zero_to_one_or_of_nothing_are_refused():
    with pytest.raises(ValueError, match=r"\[0, 1\]"):
        quantile(np.array([1.0]), 1.5)
    with pytest.raises(ValueError, match="no values"):
        quantile(np.array([]), 0.5)


# -- a proportion ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("successes", "trials", "lower", "upper"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilsons_interval_is_that_of_newcombes_table(successes, trials, lower, upper):
    # R. G. Newcombe (1998), Statist. Med. 17:857-872, Table I, method 3 (95 %); the table from
    # memory, every number recomputed.
    assert wilson(successes, trials) == pytest.approx((lower, upper), abs=5e-5)


@given(st.floats(0, 1), st.floats(0.5, 1e6), st.sampled_from([(0.9, 1.644854), (0.99, 2.575829)]))
def test_both_ends_lie_a_quantile_of_the_normal_away(part, trials, level):
    # The definition: |p̂ − p| = z·√(p(1 − p)/n) at both ends; z from printed normal tables.
    confidence, z = level
    successes = part * trials
    for p in wilson(successes, trials, confidence):
        expected = z * math.sqrt(p * (1 - p) / trials)
        assert abs(successes / trials - p) == pytest.approx(expected, rel=1e-5, abs=1e-7)


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.sampled_from([0.9, 0.95, 0.99]))
def test_wilsons_interval_of_whole_counts_is_that_of_scipy(successes, failures, confidence):
    trials = max(1, successes + failures)
    known = stats.binomtest(successes, trials).proportion_ci(confidence, method="wilson")
    assert wilson(successes, trials, confidence) == pytest.approx(known, rel=1e-9, abs=1e-12)


def test_without_trials_nothing_is_known_of_a_proportion():
    assert wilson(0, 0) == (0, 1)


def test_an_interval_touches_the_end_where_all_or_none_succeeded():
    assert wilson(0, 7)[0] == 0
    assert wilson(7, 7)[1] == 1


@pytest.mark.parametrize("bad", [(-1, 5), (6, 5), (1, 5, 1.0), (1, 5, 0.0), (math.nan, 5)])
def test_impossible_proportions_are_refused(bad):
    with pytest.raises(ValueError, match=r"successes|confidence"):
        wilson(*bad)
