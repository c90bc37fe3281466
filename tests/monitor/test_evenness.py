"""The choice of victims: χ² against published tables, verdicts on seeded counts."""

from __future__ import annotations

import math
import os
import random
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import chdtri

from idlehands_monitor.analysis.stealing.evenness import (
    CHANCE,
    NEVER_EXPECTED,
    UNEVEN,
    victim_choice,
)

WORKERS = 8
EVEN = [1 / 7] * 7
ONE_TWICE = [2 / 8] + [1 / 8] * 6


def with_diagonal(rows):
    """Return attempts at others, shape (thieves, victims), with a 0 where each thief itself is."""
    side = len(rows)
    matrix = np.zeros((side, side), dtype=np.int64)
    matrix[~np.eye(side, dtype=bool)] = np.asarray(rows).reshape(-1)
    return matrix


# -- chi-square --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("degrees", "critical"),
    [
        (1, (2.706, 3.841, 5.024, 6.635)),
        (2, (4.605, 5.991, 7.378, 9.210)),
        (3, (6.251, 7.815, 9.348, 11.345)),
        (4, (7.779, 9.488, 11.143, 13.277)),
        (5, (9.236, 11.070, 12.833, 15.086)),
        (6, (10.645, 12.592, 14.449, 16.812)),
        (7, (12.017, 14.067, 16.013, 18.475)),
        (8, (13.362, 15.507, 17.535, 20.090)),
        (9, (14.684, 16.919, 19.023, 21.666)),
        (10, (15.987, 18.307, 20.483, 23.209)),
    ],
)
def test_chances_are_those_of_the_printed_table(degrees, critical):
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.4, upper tail.
    for statistic, chance in zip(critical, (0.10, 0.05, 0.025, 0.01), strict=True):
        # Departures of ±d from the mean m at two victims make 2d²/m: exactly this statistic but
        # for rounding to whole attempts, of which there are enough for that to be little.
        mean = 10**12
        shift = round((statistic * mean / 2) ** 0.5)
        row = [mean + shift, mean - shift] + [mean] * (degrees - 1)
        found = victim_choice(with_diagonal([row] * (degrees + 2)))
        for thief in found.thieves:
            assert thief.chi_square == pytest.approx(statistic, rel=1e-5)
            assert thief.p == pytest.approx(chance, rel=5e-3)


def test_the_worked_example_of_scipy_is_reproduced():
    # SciPy's documentation of chisquare: 2.0 and 0.84914503608460956. The other thieves are there
    # because the first makes too few attempts for a verdict.
    rows = [[16, 18, 16, 14, 12, 12]] + [[1000] * 6] * 6
    first, *others = victim_choice(with_diagonal(rows)).thieves
    assert first.chi_square == pytest.approx(2.0)
    assert first.p == pytest.approx(0.84914503608460956)
    assert {(thief.chi_square, thief.p) for thief in others} == {(0.0, 1.0)}


def slow_choice(attempts, hits):
    """Return (effect, χ² of each thief) with each weight of a hit tried in turn."""
    workers = len(attempts)
    found = []
    for with_work in [math.inf, *range(1, min(workers - 1, 9))]:
        weight = 1.0 if with_work == math.inf else with_work / (with_work + 1)
        statistics, counted = [], 0.0
        for thief in range(workers):
            others = [victim for victim in range(workers) if victim != thief]
            cells = [attempts[thief][v] - (1 - weight) * hits[thief][v] for v in others]
            mean = sum(cells) / len(cells)
            statistics.append(sum((cell - mean) ** 2 / mean for cell in cells))
            counted += sum(cells)
        over = sum(statistics) - workers * (workers - 2)
        found.append((math.sqrt(max(0.0, over) / counted), statistics))
    return min(found, key=lambda pair: pair[0])


@given(st.integers(3, 12), st.integers(0, 10_000))
def test_the_effect_is_the_least_over_all_weights_of_a_hit(workers, seed):
    draw = np.random.default_rng(seed)
    attempts = draw.integers(100, 3000, (workers, workers))
    hits = (attempts * draw.random((workers, workers)) ** 3).astype(np.int64)
    choice = victim_choice(attempts, hits)
    effect, statistics = slow_choice(attempts.tolist(), hits.tolist())
    assert choice.effect == pytest.approx(effect, abs=1e-9)
    assert [thief.chi_square for thief in choice.thieves] == pytest.approx(statistics)
    assert choice.chi_square == pytest.approx(sum(statistics))


# -- many tests at once ------------------------------------------------------------------------

# Y. Benjamini, Y. Hochberg (1995), J. R. Statist. Soc. B 57(1):289-300, worked example p. 295.
PAPER = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344]
PAPER += [0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000]


def test_p_values_are_adjusted_as_in_the_papers_example():
    # Adjusted values computed by the paper's definition; it rejects four of its 15 hypotheses.
    known = [0.0015, 0.0030, 0.0095, 0.035625, 0.0603, 0.0638571, 0.0638571, 0.0645, 0.0765]
    known += [0.486, 0.5811818, 0.714875, 0.7532308, 0.8132143, 1]
    # With 14 victims departures of ±d at two of them make 2d²/m; so each thief gets its p.
    mean = 10**12
    rows = []
    for p in PAPER:
        shift = round((chdtri(13, p) * mean / 2) ** 0.5)
        rows.append([mean + shift, mean - shift] + [mean] * 12)
    thieves = victim_choice(with_diagonal(rows)).thieves
    assert [thief.p for thief in thieves] == pytest.approx(PAPER, rel=1e-4)
    assert [thief.adjusted_p for thief in thieves] == pytest.approx(known, rel=1e-4)
    assert sum(thief.adjusted_p <= 0.05 for thief in thieves) == 4


@given(st.integers(3, 9), st.integers(0, 10_000))
def test_no_adjusted_p_is_smaller_than_the_p_or_out_of_order(workers, seed):
    attempts = np.random.default_rng(seed).integers(300, 400, (workers, workers))
    thieves = sorted(victim_choice(attempts).thieves, key=lambda thief: thief.p)
    assert len(thieves) == workers
    assert all(thief.p <= thief.adjusted_p <= 1 for thief in thieves)
    assert [t.adjusted_p for t in thieves] == sorted(t.adjusted_p for t in thieves)


# -- the choice of victims ---------------------------------------------------------------------


def drawn(shares, attempts, seed, workers=WORKERS):
    generator = np.random.default_rng(seed)
    return with_diagonal([generator.multinomial(attempts, shares) for _ in range(workers)])


def test_one_in_twenty_even_thieves_seems_uneven_at_five_per_cent():
    choices = [victim_choice(drawn(EVEN, 700, seed)) for seed in range(250)]
    p_values = [thief.p for choice in choices for thief in choice.thieves]
    assert len(p_values) == 2000
    assert np.mean(np.array(p_values) < 0.05) == pytest.approx(0.05, abs=0.015)


def test_hardly_any_even_pool_has_a_thief_that_seems_uneven_after_adjustment():
    choices = [victim_choice(drawn(EVEN, 700, seed)) for seed in range(250)]
    found = [any(thief.adjusted_p < 0.05 for thief in choice.thieves) for choice in choices]
    assert np.mean(found) < 0.09  # 0.05 are expected


@pytest.mark.parametrize("attempts", [160, 700, 50_000])
def test_an_even_choice_is_kept_whatever_the_number_of_attempts(attempts):
    choices = [victim_choice(drawn(EVEN, attempts, seed)) for seed in range(500)]
    assert {choice.verdict for choice in choices} == {"kept"}
    assert {choice.pattern for choice in choices} == {""}


def test_a_victim_tried_twice_as_often_is_found():
    # w = √(n − 1)/(n + 1) = 0.306 with n = 7 victims: just over Cohen's medium.
    choices = [victim_choice(drawn(ONE_TWICE, 700, seed)) for seed in range(200)]
    assert np.mean([choice.verdict == "broken" for choice in choices]) > 0.99
    assert np.mean([choice.effect for choice in choices]) == pytest.approx(0.306, abs=0.01)
    thieves = [thief.adjusted_p < 0.05 for choice in choices for thief in choice.thieves]
    assert np.mean(thieves) > 0.95


def test_a_huge_sample_of_a_nearly_even_choice_is_kept():
    shares = np.array([1.1, 0.9, 1.05, 0.95, 1.02, 0.98, 1.0]) / 7
    choice = victim_choice(drawn(shares, 1_000_000, 1))
    assert max(thief.adjusted_p for thief in choice.thieves) < 1e-6
    assert choice.effect == pytest.approx(0.06, abs=0.005)
    assert choice.verdict == "kept"


def test_the_effect_is_cohens_w_of_counts_too_many_for_chance():
    # J. Cohen (1988), Statistical Power Analysis, w = √Σ(p − p₀)²/p₀; the chance correction
    # is df in 10⁷ attempts.
    shares = np.array(ONE_TWICE)
    choice = victim_choice(with_diagonal([(shares * 10**7).astype(int)] * WORKERS))
    w = float(np.sqrt(((shares - 1 / 7) ** 2 * 7).sum()))
    assert choice.effect == pytest.approx(w, rel=1e-4)
    assert choice.concentration == pytest.approx(w / 6**0.5, rel=1e-4)


def test_one_victim_each_is_as_concentrated_as_can_be():
    choice = victim_choice(with_diagonal([[0, 0, 0, 100_000, 0, 0, 0]] * WORKERS))
    assert choice.concentration == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("attempts", [0, 34, 150])
def test_too_few_attempts_leave_the_choice_unknown(attempts):
    choice = victim_choice(with_diagonal([[attempts, 0, 0, 0, 0, 0, 0]] * WORKERS))
    assert (choice.verdict, choice.pattern, choice.thieves) == ("unknown", "", ())


def test_one_busy_thief_with_few_attempts_does_not_speak_for_the_pool():
    rows = [[0] * 7] * 7 + [[5, 6, 5, 4, 5, 5, 6]]
    assert victim_choice(with_diagonal(rows)).verdict == "unknown"


def test_an_effect_that_chance_may_well_have_made_leaves_the_choice_unknown():
    attempts = np.array([[0, 110, 70], [0, 0, 0], [0, 0, 0]])
    choice = victim_choice(attempts)
    assert choice.effect > UNEVEN
    assert choice.p > CHANCE
    assert (choice.verdict, choice.pattern) == ("unknown", "")


def test_thieves_with_few_attempts_are_left_out_of_the_test():
    rows = [[100] * 7] * 7 + [[30, 0, 0, 0, 0, 0, 0]]
    choice = victim_choice(with_diagonal(rows))
    assert [thief.thief for thief in choice.thieves] == list(range(7))
    assert choice.attempts == 4900


@pytest.mark.parametrize("workers", [1, 2])
def test_with_a_single_victim_there_is_no_choice_to_judge(workers):
    attempts = np.full((workers, workers), 1000) - np.diag([1000] * workers)
    assert victim_choice(attempts).verdict == "unknown"


def test_attempts_that_are_no_square_are_refused():
    with pytest.raises(ValueError, match="shape"):
        victim_choice(np.zeros((2, 3), dtype=np.int64))


# -- even choices that seem uneven -------------------------------------------------------------


def searches(order, full, count, seed, workers=WORKERS):
    """Return (attempts, hits) of searches that end at a hit; `order` gives the victims of one."""
    draw = random.Random(seed)
    attempts, hits = np.zeros((2, workers, workers), dtype=np.int64)
    for thief in range(workers):
        for _ in range(count):
            ready = full(draw)
            for victim in order(draw, thief, workers):
                attempts[thief, victim] += 1
                if victim in ready:
                    hits[thief, victim] += 1
                    break
    return attempts, hits


def permutation(draw, thief, workers):
    others = [other for other in range(workers) if other != thief]
    draw.shuffle(others)
    return others


def replacing(draw, thief, workers):
    others = [other for other in range(workers) if other != thief]
    return [draw.choice(others) for _ in range(3 * workers)]


def ascending(draw, thief, workers):
    return [other for other in range(workers) if other != thief]


def ring(draw, thief, workers):
    return [(thief + step) % workers for step in range(1, workers)]


FULL = {
    "one producer": lambda draw: {3},
    "two producers": lambda draw: {3, 6},
    "anybody": lambda draw: {draw.randrange(WORKERS)},
    "nobody": lambda draw: set(),
    "now and then a producer": lambda draw: {3} if draw.random() < 0.3 else set(),
}


@pytest.mark.parametrize("full", FULL)
@pytest.mark.parametrize("order", [permutation, replacing])
def test_random_searches_that_end_at_a_hit_are_even(order, full):
    choice = victim_choice(*searches(order, FULL[full], 400, 5))
    assert choice.verdict == "kept"
    assert choice.effect < UNEVEN / 2


def test_a_permutation_with_one_producer_seems_uneven_where_hits_are_not_known():
    # Every search tries the producer, and half of the searches try each other victim.
    attempts, _hits = searches(permutation, FULL["one producer"], 400, 5)
    assert victim_choice(attempts).effect > UNEVEN


# -- patterns ----------------------------------------------------------------------------------


def test_an_ascending_order_is_named():
    choice = victim_choice(*searches(ascending, FULL["anybody"], 300, 2))
    assert (choice.verdict, choice.pattern) == ("broken", "fixed order")
    assert choice.p < CHANCE


def test_an_order_seen_in_attempts_that_mostly_find_nothing_is_named():
    # Attempts in the demonstration's pool with its fault of a fixed order; recorded from it.
    attempts = with_diagonal(
        [
            [366, 285, 227, 178, 154, 128, 115],
            [292, 227, 172, 134, 112, 101, 94],
            [266, 203, 181, 142, 123, 112, 104],
            [233, 205, 179, 155, 131, 111, 106],
            [221, 171, 141, 124, 112, 103, 92],
            [202, 159, 137, 124, 113, 106, 99],
            [163, 129, 113, 101, 95, 86, 84],
            [153, 124, 114, 102, 93, 87, 87],
        ]
    )
    choice = victim_choice(attempts)
    assert (choice.verdict, choice.pattern) == ("broken", "fixed order")


def test_neighbours_first_in_attempts_that_mostly_find_nothing_are_named():
    # Recorded from the demonstration's pool with its fault of nearest neighbours.
    attempts = with_diagonal(
        [
            [125, 78, 67, 62, 62, 70, 95],
            [81, 119, 68, 62, 58, 60, 64],
            [60, 73, 109, 64, 60, 58, 59],
            [73, 79, 96, 128, 84, 75, 69],
            [65, 66, 69, 90, 132, 72, 66],
            [67, 66, 66, 71, 94, 132, 77],
            [76, 70, 67, 68, 72, 90, 125],
            [124, 82, 69, 67, 68, 76, 94],
        ]
    )
    # Its hits were nearly all at the neighbours: half of the effect could be of a permutation.
    hits = np.zeros_like(attempts)
    for thief in range(WORKERS):
        hits[thief, (thief + 1) % WORKERS] = 30
    choice = victim_choice(attempts, hits)
    assert choice.effect < UNEVEN
    assert (choice.verdict, choice.pattern) == ("broken", "nearest neighbour")


def test_one_thief_alone_shows_a_preference_but_no_order():
    rows = [[4000, 3000, 2000, 1000, 1000, 800, 600]] + [[0] * 7] * 7
    choice = victim_choice(with_diagonal(rows))
    assert (choice.verdict, choice.pattern) == ("broken", "")


def test_one_victim_that_all_others_prefer_is_no_fixed_order():
    rows = [[100] * 7] + [[400] + [100] * 6] * 7
    choice = victim_choice(with_diagonal(rows))
    assert (choice.verdict, choice.pattern) == ("broken", "")


def test_a_favourite_first_victim_with_the_rest_even_is_no_fixed_order():
    choice = victim_choice(with_diagonal([[400] + [100] * 6] * WORKERS))
    assert (choice.verdict, choice.pattern) == ("broken", "")


@pytest.mark.parametrize(
    ("order", "word"), [(ascending, "fixed order"), (ring, "nearest neighbour")]
)
def test_orders_of_two_victims_are_named(order, word):
    choice = victim_choice(*searches(order, lambda draw: {0, 1, 2}, 200, 3, workers=3))
    assert (choice.verdict, choice.pattern) == ("broken", word)


def test_the_nearest_neighbour_first_is_named():
    choice = victim_choice(*searches(ring, FULL["anybody"], 300, 2))
    assert (choice.verdict, choice.pattern) == ("broken", "nearest neighbour")


def test_a_favourite_of_each_thief_is_named():
    favourites = [3, 5, 1, 6, 2, 0, 4, 3]
    rows = [[300 if place == own else 10 for place in range(7)] for own in favourites]
    choice = victim_choice(with_diagonal(rows))
    assert (choice.verdict, choice.pattern) == ("broken", "one victim")


def test_a_victim_that_nobody_tries_is_named_however_small_the_effect():
    rows = [[100] * 31] * 32
    attempts = with_diagonal(rows)
    attempts[:, 9] = 0
    choice = victim_choice(attempts)
    assert choice.effect < UNEVEN
    assert (choice.verdict, choice.pattern) == ("broken", "never tried")
    assert choice.never_tried == tuple((thief, 9) for thief in range(32) if thief != 9)


def test_a_victim_that_few_attempts_are_expected_at_may_be_missed():
    each = int(NEVER_EXPECTED) // 2
    attempts = with_diagonal([[each] * 31] * 32)
    attempts[4, 9] = 0
    choice = victim_choice(attempts)
    assert (choice.verdict, choice.never_tried) == ("kept", ())


def test_an_uneven_choice_without_a_pattern_has_no_name():
    attempts = with_diagonal([[100, 300, 100, 300, 100, 300, 100]] * WORKERS)
    choice = victim_choice(attempts)
    assert (choice.verdict, choice.pattern) == ("broken", "")


def test_counts_that_contradict_each_other_leave_the_choice_unknown():
    attempts = with_diagonal([[4000, 3000, 2000, 1000, 1000, 800, 600]] * WORKERS)
    assert victim_choice(attempts, attempts + 1).verdict == "unknown"
    assert victim_choice(attempts, -attempts).verdict == "unknown"


@given(st.integers(3, 9), st.integers(0, 10_000))
def test_any_counts_give_a_verdict(workers, seed):
    draw = np.random.default_rng(seed)
    attempts = draw.integers(0, 10 ** draw.integers(1, 12), (workers, workers))
    attempts *= draw.integers(0, 2, (workers, workers))
    hits = (attempts * draw.random((workers, workers))).astype(np.int64)
    choice = victim_choice(attempts, hits)
    assert choice.verdict in {"kept", "broken", "unknown"}
    assert 0 <= choice.concentration <= 1
    assert all(0 <= thief.p <= thief.adjusted_p <= 1 for thief in choice.thieves)


# -- what a reading waits for ------------------------------------------------------------------

READ_THREADS = """
import sys
from histories import History, Task, ledger
from readings import source
from idlehands_monitor.analysis.assemble import read

history = History(2, 100_000_000)
for number in range(80):
    began = 1_000_000 * number + 1000
    history.tasks.append(Task(number, began - 1000, number % 2, began, began + 900_000))
held = ledger(history)
held.pools[0].kind = "threads"
found = read(held, source(), None).pools[0]
imported = [name for name in sys.modules if name in ("scipy.stats", "scipy.special")]
print(found.queueing is not None, found.balance is not None, imported)
"""


def test_reading_a_pool_that_does_not_steal_imports_no_scipy():
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-c", READ_THREADS]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout == "True True []\n"
