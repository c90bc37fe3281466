"""The matrix as it is shown: grouped, ordered, in another unit; and the sentences on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading

from idlehands_monitor.model.tasks import HandOverReading
from idlehands_monitor.views.grid import (
    COUNTED,
    FEWEST_GROUPS,
    LEAST_GROUPED,
    OUTSIDE,
    UNITS,
    Choice,
    cell_sentence,
    grid_of,
    group_size,
    groups_of,
    in_unit,
    name_of,
    summed,
    traffic_order,
)
from idlehands_monitor.views.palette import BLANK, step, steps
from idlehands_monitor.views.terminal.drawing import cell_amount

COUNT, PER_SECOND, SHARE = UNITS
matrices = st.integers(1, 40).flatmap(
    lambda n: st.builds(
        lambda seed: np.random.default_rng(seed).integers(0, 4, (n, n)), st.integers(0, 10**6)
    )
)


# -- groups --------------------------------------------------------------------------------------


@given(matrices, st.integers(1, 12))
def test_sums_of_groups_add_up_to_the_same_totals(matrix, size):
    groups = groups_of(len(matrix), size)
    found = summed(matrix, groups, groups)
    assert found.sum() == matrix.sum()
    for place, group in enumerate(groups):
        assert found[place].sum() == matrix[group[0] : group[-1] + 1].sum()
        assert found[:, place].sum() == matrix[:, group[0] : group[-1] + 1].sum()


@given(st.integers(1, 2000), st.integers(1, 200))
def test_groups_fit_are_equal_but_the_last_and_hold_every_worker_once(workers, most):
    groups = groups_of(workers, group_size(workers, most))
    assert [worker for group in groups for worker in group] == list(range(workers))
    assert len({len(group) for group in groups[:-1]}) <= 1
    assert len(groups[-1]) <= len(groups[0])
    assert len(groups) <= max(most, FEWEST_GROUPS, LEAST_GROUPED - 1)


@pytest.mark.parametrize(
    ("workers", "most", "size"),
    [(8, 4, 1), (16, 8, 1), (17, 17, 1), (17, 16, 2), (64, 22, 4), (256, 22, 16), (256, 40, 8)],
)
def test_a_group_is_as_small_as_fits_and_divides_the_workers_if_it_can(workers, most, size):
    assert group_size(workers, most) == size


def test_workers_of_a_prime_number_end_in_a_smaller_group_and_the_title_says_so():
    grid = grid_of(reading(workers=23).pools[0], most=8)
    assert [name_of(group) for group in grid.rows] == [
        *("0–2", "3–5", "6–8", "9–11", "12–14", "15–17", "18–20", "21–22")
    ]
    assert grid.title[-1] == "each row and column stands for 3 workers, 0–2, 3–5 …, the last for 2"


def test_a_matrix_that_fits_or_is_asked_for_singly_is_not_grouped():
    pool = reading(workers=64).pools[0]
    assert len(grid_of(pool, most=64).rows) == 64
    assert len(grid_of(pool, Choice(grouped=False), most=8).rows) == 64
    assert len(grid_of(pool, most=None).rows) == 64


# -- order ---------------------------------------------------------------------------------------


@given(matrices)
def test_traffic_puts_most_first_and_leaves_equals_in_their_order(matrix):
    order = traffic_order(matrix)
    traffic = (matrix.sum(axis=0) + matrix.sum(axis=1)).tolist()
    assert order == sorted(range(len(matrix)), key=lambda worker: (-traffic[worker], worker))


def test_ordering_moves_rows_and_columns_together_and_keeps_every_count():
    pool = reading(workers=6).pools[0]
    plain, ordered = grid_of(pool), grid_of(pool, Choice(by_traffic=True))
    assert ordered.rows == ordered.columns
    assert [name_of(group) for group in ordered.rows] == ["5", "4", "3", "2", "1", "0"]
    for row, thief in enumerate(ordered.rows):
        for column, victim in enumerate(ordered.columns):
            assert ordered.counts[row, column] == plain.counts[thief[0], victim[0]]
    assert np.isnan(np.diagonal(ordered.values)).all()
    assert "most traffic first" in ordered.title


# -- units ---------------------------------------------------------------------------------------


@given(matrices)
def test_shares_of_a_row_add_up_to_one_or_the_row_is_blank(matrix):
    values = in_unit(matrix, SHARE, 1.0)
    for counts, row in zip(matrix, values, strict=True):
        if counts.sum():
            assert row.sum() == pytest.approx(1.0)
        else:
            assert np.isnan(row).all()


def test_rates_are_counts_over_the_seconds_of_the_window():
    matrix = np.array([[0, 5], [10, 0]])
    assert in_unit(matrix, PER_SECOND, 2.5).tolist() == [[0.0, 2.0], [4.0, 0.0]]
    assert np.isnan(in_unit(matrix, PER_SECOND, 0.0)).all()


def test_attempts_are_hits_empties_and_lost_races_together():
    pool = reading().pools[0]
    parts = [grid_of(pool, Choice(name)).counts for name in ("hits", "empties", "lost_races")]
    assert (grid_of(pool, Choice("attempts")).counts == sum(parts)).all()


def test_the_keys_go_through_every_count_and_unit_and_come_round():
    choice, counted, units = Choice(), [], []
    for _ in COUNTED:
        counted.append(choice.counted)
        choice = choice.next_counted()
    for _ in UNITS:
        units.append(choice.unit)
        choice = choice.next_unit()
    assert (counted, units, choice) == (list(COUNTED), list(UNITS), Choice())


@pytest.mark.parametrize(
    ("choice", "title"),
    [
        (Choice(), "steals, thief ↓ victim →"),
        (Choice("attempts", PER_SECOND), "attempts, per second, thief ↓ victim →"),
        (Choice("lost_races", SHARE), "lost races, share of the row, thief ↓ victim →"),
        (Choice("empties"), "attempts that found nothing, thief ↓ victim →"),
    ],
)
def test_the_title_says_what_is_shown(choice, title):
    assert ", ".join(grid_of(reading().pools[0], choice).title) == title


# -- steps and cells -----------------------------------------------------------------------------


@given(st.lists(st.integers(0, 10**7), min_size=1, max_size=30))
def test_steps_of_a_whole_matrix_are_those_of_each_count(counts):
    found = steps(np.array([counts], dtype=float), float(max(counts)))
    assert found[0].tolist() == [step(count, max(counts)) for count in counts]


def test_a_value_that_is_not_a_number_has_no_step():
    assert steps(np.array([[np.nan, 0.0, 0.1]]), 0.1).tolist() == [[BLANK, 0, 8]]
    assert steps(np.array([[np.nan, 0.0]]), 0.0).tolist() == [[BLANK, 0]]


@pytest.mark.parametrize(
    ("value", "unit", "cells", "shown"),
    [
        (1234.0, COUNT, 5, "1234 "),
        (0.0, COUNT, 5, "     "),
        (np.nan, COUNT, 5, "  ·  "),
        (0.3, PER_SECOND, 5, " 0.3 "),
        (0.01, PER_SECOND, 5, " <.1 "),
        (12.6, PER_SECOND, 5, "  13 "),
        (0.3, PER_SECOND, 2, "  "),
        (0.256, SHARE, 5, "  26 "),
        (0.001, SHARE, 5, "  <1 "),
        (1.0, SHARE, 3, "   "),
    ],
)
def test_a_value_is_written_in_its_unit_or_left_out(value, unit, cells, shown):
    assert cell_amount(value, unit, cells) == shown


# -- sentences and hand-overs --------------------------------------------------------------------


def test_the_sentence_on_a_group_has_the_exact_sums_of_all_four_counts():
    pool = reading(workers=32).pools[0]
    one, other = range(4), range(8, 12)
    # Every thief took 5·victim of victim and found as many empty: 4·5·(8 + 9 + 10 + 11).
    assert cell_sentence(pool, one, other) == (
        "thieves 0–3 made 1520 attempts at victims 8–11: "
        "760 hits (50%), 760 found none, 0 lost the race"
    )


def test_hand_overs_are_grouped_with_the_outside_on_its_own():
    base = reading(workers=32).pools[0]
    rows = [[1] * 32, *([n] * 32 for n in range(32))]
    pool = replace(base, kind="one queue", hand_overs=HandOverReading(tuple(map(tuple, rows))))
    grid = grid_of(pool, Choice(by_traffic=True), most=8)
    assert grid.rows[0] == OUTSIDE
    assert grid.counts[0].tolist() == [4] * 8
    assert grid.counts.sum() == np.sum(rows)
    assert name_of(grid.rows[1]) == "28–31"
    sentence = cell_sentence(pool, OUTSIDE, range(4))
    assert sentence == "workers 0–3 ran 4 tasks handed in by outside"
    assert "workers 4–7" in cell_sentence(pool, range(4, 8), range(4))
    assert cell_sentence(pool, range(4, 8), range(1)).startswith("worker 0 ran 22 tasks")
