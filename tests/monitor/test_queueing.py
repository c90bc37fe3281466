"""Queueing theory against published tables and examples, Little's law in whole nanoseconds."""

from __future__ import annotations

import heapq
import math
import random
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from idlehands_monitor.analysis.queueing.theory import (
    allen_cunneen_wait,
    erlang_b,
    erlang_c,
    little,
    mmc_wait,
)

HOUR_NS = 3_600_000_000_000

# -- Erlang ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("servers", "row"),
    [
        (1, (0.500000, 0.700000, 0.800000, 0.900000, 0.950000)),
        (2, (0.333333, 0.576471, 0.711111, 0.852632, 0.925641)),
        (4, (0.173913, 0.428654, 0.596432, 0.787753, 0.891419)),
        (8, (0.059044, 0.270603, 0.457645, 0.701533, 0.844169)),
        (16, (0.009019, 0.129676, 0.304884, 0.591343, 0.780192)),
        (32, (0.000291, 0.038019, 0.160623, 0.458197, 0.695710)),
    ],
)
def test_the_probability_of_waiting_is_erlangs_c(servers, row):
    # Erlang (1917); the numbers were computed two other ways, as Poisson tails and from the
    # solved birth-death chain, not read off a printed table.
    for utilisation, expected in zip((0.5, 0.7, 0.8, 0.9, 0.95), row, strict=True):
        assert erlang_c(servers, utilisation * servers) == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize(
    ("servers", "offered", "lost"),
    [
        (15, 8.108, 0.01),  # looked up: a printed table of 1 % blocking, 8.108 erlang
        (10, 4.461, 0.01),  # these from memory
        (20, 12.031, 0.01),
        (30, 20.337, 0.01),
        (100, 84.064, 0.01),
        (1, 1.0, 1 / 2),
        (2, 1.0, 1 / 5),
        (3, 1.0, 1 / 16),
    ],
)
def test_blocking_is_that_of_erlang_b_tables(servers, offered, lost):
    assert erlang_b(servers, offered) == pytest.approx(lost, abs=1e-5)


@pytest.mark.parametrize(
    ("servers", "offered", "waits"),
    [
        (10, 6.0, 0.10130),  # "about 0.10" in teaching material
        (5, 2.5, 0.13037),  # a support desk: 30 calls an hour of 5 minutes; computed
        (6, 2.5, 0.04744),
        (2, 1.5, 9 / 14),  # two lines of 1 Mbit/s, 150 packets/s of 10 kbit; computed
        # S. Halfin, W. Whitt (1981), Oper. Res. 29(3):567-588: near 0.22336, their limit
        (100, 90.0, 0.21694),
    ],
)
def test_the_probability_of_waiting_is_that_of_worked_examples(servers, offered, waits):
    assert erlang_c(servers, offered) == pytest.approx(waits, abs=5e-6)


def test_many_servers_overflow_nothing():
    assert 0 < erlang_c(5000, 4900.0) < 1
    assert 0 < mmc_wait(4900.0, 1.0, 5000) < 1


@given(st.floats(0, 0.999), st.integers(1, 200))
def test_the_probability_of_waiting_lies_between_blocking_and_one(utilisation, servers):
    offered = utilisation * servers
    assert 0 <= erlang_b(servers, offered) <= erlang_c(servers, offered) <= 1


# -- M/M/c -------------------------------------------------------------------------------------


def queue(rate, service, servers):
    """Return the figures that textbooks print of M/M/c: from the wait, by Little's law."""
    wait = mmc_wait(rate, service, servers)
    return SimpleNamespace(
        p_wait=erlang_c(servers, rate * service),
        queue_wait=wait,
        queue_length=rate * wait,
        time_in_system=wait + service,
        in_system=rate * (wait + service),
    )


def test_the_eye_clinic_of_gross_and_harris_comes_out_exactly():
    # D. Gross, C. M. Harris, Fundamentals of Queueing Theory, M/M/3: 6 an hour, 20 minutes each.
    found = queue(6.0, 1 / 3, 3)
    assert found.p_wait == pytest.approx(4 / 9)
    assert found.queue_length == pytest.approx(8 / 9)
    assert found.in_system == pytest.approx(26 / 9)
    assert found.queue_wait * 60 == pytest.approx(8.889, abs=5e-4)
    assert found.time_in_system * 60 == pytest.approx(28.889, abs=5e-4)


@pytest.mark.parametrize(
    ("servers", "expected"),
    [(1, (2 / 3, 4 / 3, 2, 2 / 3, 1)), (2, (1 / 6, 1 / 12, 3 / 4, 1 / 24, 3 / 8))],
)
def test_the_county_hospital_of_hillier_and_lieberman(servers, expected):
    # F. S. Hillier, G. J. Lieberman, Introduction to Operations Research: 2 an hour, 3 an hour
    # served by each doctor. Printed values from memory, all of them recomputed.
    found = queue(2.0, 1 / 3, servers)
    figures = found.p_wait, found.queue_length, found.in_system
    assert (*figures, found.queue_wait, found.time_in_system) == pytest.approx(expected)


# R. Bronson (1982), Schaum's Outline of Operations Research, examples 23.3, 23.14, 23.16, 24.6.
@pytest.mark.parametrize(
    ("rate", "service", "servers", "expected"),
    [
        (24.0, 1 / 30, 1, {"in_system": 4, "time_in_system": 1 / 6}),
        (0.5, 1.5, 1, {"queue_length": 2.25, "queue_wait": 4.5}),
        (1.0, 0.75, 1, {"queue_length": 2.25, "queue_wait": 2.25, "time_in_system": 3.0}),
        (300 / 365, 2.0, 3, {"queue_length": 0.352, "in_system": 1.996}),
        (300 / 365, 2.0, 3, {"queue_wait": 0.43, "time_in_system": 2.429}),
    ],
)
def test_examples_of_bronson(rate, service, servers, expected):
    found = queue(rate, service, servers)
    for name, value in expected.items():
        assert getattr(found, name) == pytest.approx(value, abs=2e-3), name


def test_examples_of_jain_on_pooling_terminals():
    # R. Jain (1991), The Art of Computer Systems Performance Analysis, examples 31.1 to 31.3;
    # printed values from memory, recomputed.
    gateway = queue(125.0, 0.002, 1)
    assert gateway.in_system == pytest.approx(0.333, abs=5e-4)
    assert gateway.time_in_system * 1e3 == pytest.approx(2.667, abs=5e-4)
    together = queue(10 / 60, 20.0, 5)
    assert together.p_wait == pytest.approx(0.33, abs=5e-3)
    assert together.queue_length == pytest.approx(0.65, abs=5e-3)
    assert together.in_system == pytest.approx(3.99, abs=5e-3)
    assert together.time_in_system == pytest.approx(24, abs=0.1)
    assert queue(2 / 60, 20.0, 1).time_in_system == pytest.approx(60)


def test_without_a_steady_state_waits_are_infinite_and_everybody_waits():
    assert erlang_c(3, 3.0) == 1
    assert mmc_wait(3.0, 1.0, 3) == math.inf
    assert allen_cunneen_wait(4.0, 1.0, 3, 0.0, 0.0) == math.inf
    assert allen_cunneen_wait(1.0, 1.0, 1, 1.0, 1.0) == math.inf


def test_the_probability_of_waiting_is_that_of_the_series():
    terms = [2.4**n / math.factorial(n) for n in range(4)]
    last = 2.4**4 / math.factorial(4) / (1 - 0.6)
    assert erlang_c(4, 2.4) == pytest.approx(last / (sum(terms) + last))


@pytest.mark.parametrize(
    "nonsense",
    [
        lambda: erlang_b(0, 1.0),
        lambda: erlang_c(2, -1.0),
        lambda: mmc_wait(-1.0, 1.0, 1),
        lambda: mmc_wait(1.0, 0.0, 1),
        lambda: mmc_wait(1.0, 1.0, 0),
        lambda: mmc_wait(math.nan, 1.0, 1),
        lambda: allen_cunneen_wait(0.5, 1.0, 1, -1.0, 1.0),
        lambda: little(np.array([0]), np.array([1]), 5, 5),
        lambda: little(np.array([2]), np.array([1]), 0, 5),
        lambda: little(np.array([0, 1]), np.array([1]), 0, 5),
    ],
)
def test_nonsense_is_refused_in_one_line(nonsense):
    with pytest.raises(ValueError, match=r"\A[^\n]+\Z"):
        nonsense()


# -- general service, general arrivals ---------------------------------------------------------


@pytest.mark.parametrize(
    ("utilisation", "exponential", "constant", "erlang_of_four"),
    [
        (0.5, 1, 0.5, 0.625),
        (0.7, 2.3333, 1.1667, 1.4583),
        (0.8, 4, 2, 2.5),
        (0.9, 9, 4.5, 5.625),
        (0.95, 19, 9.5, 11.875),
    ],
)
def test_waits_at_one_server_are_those_of_pollaczek_and_khinchine(
    utilisation, exponential, constant, erlang_of_four
):
    # R. B. Cooper (1981), Introduction to Queueing Theory, 2nd edition, p. 189, for the formula;
    # the numbers follow from it with a mean service time of 1.
    for variation, wait in ((1.0, exponential), (0.0, constant), (0.25, erlang_of_four)):
        found = allen_cunneen_wait(utilisation, 1.0, 1, 1.0, variation)
        assert found == pytest.approx(wait, abs=5e-5)


def test_waits_at_one_server_are_those_of_kingman():
    # J. F. C. Kingman (1961), "The single server queue in heavy traffic", Proc. Camb. Phil. Soc.
    # 57:902-904: rho / (1 - rho) * (c_a^2 + c_s^2) / 2 mean service times.
    assert allen_cunneen_wait(0.8, 1.0, 1, 0.5, 0.25) == pytest.approx(0.8 / 0.2 * 0.375)


def test_the_approximation_is_exact_where_both_times_are_exponential():
    # Allen-Cunneen is M/M/c then (the formula from memory; the limit confirms it).
    assert allen_cunneen_wait(6.0, 1 / 3, 3, 1.0, 1.0) == pytest.approx(4 / 27)
    assert allen_cunneen_wait(6.0, 1 / 3, 3, 0.5, 0.1) == pytest.approx(0.3 * 4 / 27)


# -- Little ------------------------------------------------------------------------------------


def path(pairs, begin, end):
    pairs = list(pairs)
    arrived = np.array([a for a, _ in pairs], dtype=np.int64)
    departed = np.array([d for _, d in pairs], dtype=np.int64)
    return little(arrived, departed, begin, end)


def test_a_closed_path_by_hand():
    # Worked out by hand: times 2, 4 and 3 in a window of 6.
    found = path([(0, 2), (1, 5), (3, 6)], 0, 6)
    assert (found.area_ns, found.finished_ns, found.arrivals) == (9, 9, 3)
    assert found.closed
    assert found.mean_in_system == 1.5
    assert found.arrival_rate == 0.5e9
    assert found.mean_time_s == 3e-9


def test_the_bottles_of_wine_stay_twenty_months():
    # J. D. C. Little, S. C. Graves (2008), "Little's law", in Building Intuition, Springer: 160
    # bottles in the cellar, 8 bought a month, so each stays 20 months. One unit: 1/8 month.
    found = path([(k, k + 160) for k in range(3000)], 1000, 2000)
    assert found.mean_in_system == 160
    assert found.arrival_rate * 8 / 1e9 == 8
    assert found.mean_time_s * 1e9 / 8 == 20
    assert not found.closed


def test_a_window_that_cuts_through_has_two_boundary_terms():
    # One there before (came at 0, leaves at 12), one inside, one still there at the end.
    found = path([(0, 12), (13, 15), (16, 99)], 10, 20)
    assert (found.at_begin, found.arrivals, found.departures, found.at_end) == (1, 2, 2, 1)
    assert found.area_ns == 2 + 2 + 4
    assert (found.finished_ns, found.before_ns, found.after_ns) == (14, 10, 4)


timestamps = st.integers(0, 1 << 61)
lifetimes = st.integers(0, 1 << 61)
sojourns = st.lists(
    st.tuples(timestamps, lifetimes).map(lambda s: (s[0], s[0] + s[1])), max_size=40
)
near = st.integers(0, 30)
near_sojourns = st.lists(st.tuples(near, near).map(lambda s: (s[0], s[0] + s[1])), max_size=12)


@given(
    st.one_of(
        st.tuples(sojourns, timestamps, st.integers(1, 1 << 61)),
        st.tuples(near_sojourns, near, st.integers(1, 30)),
    )
)
def test_the_account_closes_exactly_whatever_the_window_cuts_through(case):
    pairs, begin, length = case
    end = begin + length
    found = path(pairs, begin, end)
    assert found.area_ns == sum(max(0, min(d, end) - max(a, begin)) for a, d in pairs)
    assert found.area_ns == found.finished_ns - found.before_ns + found.after_ns
    assert found.at_begin + found.arrivals == found.departures + found.at_end


@given(near_sojourns, near, near.filter(bool), near.filter(bool))
@example([(5, 5)], 0, 5, 5)  # came and left in one nanosecond, where the windows meet
def test_windows_side_by_side_count_everybody_once(pairs, begin, first, second):
    middle, end = begin + first, begin + first + second
    parts = path(pairs, begin, middle), path(pairs, middle, end)
    whole = path(pairs, begin, end)
    for name in ("area_ns", "arrivals", "departures", "finished_ns"):
        assert sum(getattr(part, name) for part in parts) == getattr(whole, name), name
    assert parts[0].at_end == parts[1].at_begin


@given(st.one_of(sojourns, near_sojourns).filter(lambda pairs: any(d > a for a, d in pairs)))
def test_on_a_closed_path_littles_law_is_exact(pairs):
    # Little (1961); Little, Graves (2008): L = λW on a finite path that starts and ends empty.
    found = path(pairs, min(a for a, _ in pairs), max(d for _, d in pairs) + 1)
    in_system = Fraction(found.area_ns, found.window_ns)
    rate = Fraction(found.arrivals, found.window_ns)
    assert found.closed
    assert found.before_ns == found.after_ns == 0
    assert in_system == rate * Fraction(found.finished_ns, found.departures)


@pytest.fixture(scope="module")
def clinic():
    """Return (arrived, begun, departed) in ns of 200,000 customers of an M/M/3 queue, seeded."""
    draw, customers = random.Random(20080), 200_000
    now, free = 0.0, [0.0] * 3
    rows = []
    for _ in range(customers):
        now += draw.expovariate(6.0)
        begun = max(now, free[0])
        departed = begun + draw.expovariate(3.0)
        heapq.heapreplace(free, departed)
        rows.append((now, begun, departed))
    return (np.array(rows) * HOUR_NS).astype(np.int64).T


def test_a_simulated_queue_waits_as_erlang_says(clinic):
    # The eye clinic again: W_q = 4/27 h and P(wait) = 4/9 exactly.
    arrived, begun, _ = clinic
    waits = (begun - arrived) / HOUR_NS
    assert waits.mean() == pytest.approx(mmc_wait(6.0, 1 / 3, 3), abs=0.006)
    assert (waits > 0).mean() == pytest.approx(erlang_c(3, 2.0), abs=0.012)


def test_littles_law_on_the_simulated_queue_is_exact_and_near_the_theory(clinic):
    arrived, _, departed = clinic
    found = little(arrived, departed, 0, int(departed.max()))
    assert found.closed
    assert found.area_ns == int((departed - arrived).sum())
    assert found.mean_in_system == pytest.approx(26 / 9, abs=0.05)
    assert found.mean_in_system == pytest.approx(found.arrival_rate * found.mean_time_s)
