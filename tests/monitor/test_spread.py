"""Fairness and load imbalance against published values and their own limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from idlehands_monitor.analysis.stats.spread import imbalance, jain

loads = st.lists(st.integers(0, 10**12), min_size=1, max_size=20)


@pytest.mark.parametrize(
    ("shares", "index"),
    [
        # Throughputs 50, 30, 50 against fair shares 50, 10, 10. R. K. Jain, D.-M. W. Chiu,
        # W. R. Hawe (1984), DEC-TR-301, defines it (RFC 5166 lists it among the metrics of
        # fairness); slides of the author print 9²/(3·35) as 0.81, but it is 27/35 = 0.7714.
        ((1, 3, 5), 27 / 35),
        # Worked examples in public teaching material on the index.
        ((1, 4, 5), 0.7937),
        ((1, 2, 5), 0.7111),
        ((10, 20, 30, 40, 50, 60), 0.807692),
    ],
)
def test_jains_index_is_that_of_worked_examples(shares, index):
    assert jain(shares) == pytest.approx(index, abs=5e-5)


@given(st.integers(1, 20), st.integers(0, 20))
def test_where_k_of_n_share_evenly_jains_index_is_k_over_n(sharing, others):
    assert jain([7.0] * sharing + [0.0] * others) == pytest.approx(sharing / (sharing + others))


@given(loads.filter(any))
def test_jains_index_is_one_over_one_plus_the_squared_variation(some):
    # With the divisor n; the identity stands in DEC-TR-301 (from memory).
    variation = np.std(some) / np.mean(some)
    assert jain(some) == pytest.approx(1 / (1 + variation**2))


@pytest.mark.parametrize(
    ("some", "expected"),
    [
        ((10, 10, 10, 10), (0, 0)),
        ((8, 8, 8, 16), (0.6, 6)),
        ((0, 0, 0, 12), (3, 9)),
    ],
)
def test_load_imbalance_by_hand(some, expected):
    # DeRose, Homer, Johnson (2007), Euro-Par, LNCS 4641:150-159, and Pearce et al. (2012),
    # ICS '12, 185-194. The formulas are from memory; that excess is 0 where all loads are equal and
    # n - 1 where one worker has everything confirms them. Arithmetic by hand.
    found = imbalance(some)
    assert (found.excess, found.time) == pytest.approx(expected)


@given(loads)
def test_measures_stay_in_their_ranges(some):
    found = imbalance(some)
    assert 0 <= found.excess <= len(some) - 1 + 1e-9
    assert 0 <= found.time <= max(some)
    assert 1 / len(some) - 1e-9 <= jain(some) <= 1 + 1e-9


def test_nobody_having_anything_is_even():
    found = imbalance([0, 0, 0])
    assert (found.excess, found.time) == (0, 0)
    assert jain([0, 0]) == 1


@pytest.mark.parametrize("measure", [jain, imbalance])
@pytest.mark.parametrize("bad", [[], [1, -1], [1, float("nan")], [float("inf")]])
def test_loads_that_are_none_are_refused(measure, bad):
    with pytest.raises(ValueError, match="load"):
        measure(bad)
