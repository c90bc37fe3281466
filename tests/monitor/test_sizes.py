"""Whether stolen tasks are the larger ones, and how much work came with them."""

from __future__ import annotations

import json
import math
from collections import Counter
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import source

from histories import History, Task, ledger
from idlehands.wire import CANCELLED, OWN_DEQUE
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.deques.sizes import depths, sizes, subtree_ns
from idlehands_monitor.analysis.stats.rank_test import rank_test
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views import text

MS = 1_000_000


def whole(values):
    return np.array(values, dtype=np.int64)


GROUP = st.lists(st.integers(0, 12), min_size=1, max_size=30)

# -- the test of ranks ---------------------------------------------------------------------------


@given(GROUP, GROUP)
def test_superiority_is_that_of_all_pairs(first, second):
    pairs = [(a > b) + (a == b) / 2 for a in first for b in second]
    found = rank_test(whole(first), whole(second))
    assert found.superiority == pytest.approx(sum(pairs) / len(pairs))


@given(GROUP, GROUP)
def test_p_and_the_error_are_those_of_the_formula(first, second):
    """The normal approximation of U, worked out slowly: S. Siegel (1956), Nonparametric Statistics
    for the Behavioral Sciences, 116-127 (from memory)."""
    m, n = len(first), len(second)
    tied = sum(count**3 - count for count in Counter(first + second).values())
    variance = m * n / 12 * (m + n + 1 - tied / ((m + n) * (m + n - 1)))
    found = rank_test(whole(first), whole(second))
    assert found.error == pytest.approx(math.sqrt(max(0.0, variance)) / (m * n), abs=1e-9)
    if len({*first, *second}) == 1:
        assert (found.p, found.superiority) == (1, 0.5)
        return
    away = abs(found.superiority * m * n - m * n / 2) - 0.5
    p = 2 * (1 - NormalDist().cdf(away / math.sqrt(variance)))
    assert found.p == pytest.approx(min(1.0, p), abs=1e-12)


def test_the_worked_example_of_ages_at_diagnosis():
    # SciPy's documentation of mannwhitneyu: U = 17 of 20, two-sided p 0.1113 with continuity.
    found = rank_test(whole([19, 22, 16, 29, 24]), whole([20, 11, 17, 12]))
    assert found.superiority == pytest.approx(17 / 20)
    assert found.p == pytest.approx(0.11134688653314041)


def test_an_empty_group_cannot_be_compared():
    with pytest.raises(ValueError, match="0 and 1"):
        rank_test(whole([]), whole([1]))


# -- subtrees ------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(-1, 40), st.integers(0, 99)), max_size=40), st.randoms())
def test_the_time_of_a_subtree_is_that_of_a_plain_walk(drawn, shuffle):
    tasks = [(number, min(up, number - 1), own) for number, (up, own) in enumerate(drawn)]
    shuffle.shuffle(tasks)
    children = {up: [number for number, its, _ in tasks if its == up] for _, up, _ in tasks}
    times = {number: own for number, _, own in tasks}

    def walk(number):
        return times[number] + sum(map(walk, children.get(number, [])))

    columns = (whole([task[column] for task in tasks]) for column in range(3))
    assert subtree_ns(*columns).tolist() == [walk(number) for number, _, _ in tasks]


@given(st.lists(st.tuples(st.integers(-1, 40), st.booleans()), max_size=40), st.randoms())
def test_the_depth_of_a_task_is_that_of_a_plain_walk_up(drawn, shuffle):
    parents = {number: min(up, number - 1) for number, (up, _) in enumerate(drawn)}
    held = [number for number, (_, kept) in enumerate(drawn) if kept]
    shuffle.shuffle(held)

    def walk(number):
        if parents[number] < 0:
            return 0
        if parents[number] not in held:
            return -1
        above = walk(parents[number])
        return above + 1 if above >= 0 else -1

    found = depths(whole(held), whole([parents[number] for number in held]))
    assert found.tolist() == [walk(number) for number in held]


def test_a_task_that_a_damaged_stream_makes_its_own_ancestor_has_no_depth():
    assert depths(whole([3, 5]), whole([3, 3])).tolist() == [-1, -1]


@pytest.mark.parametrize("parent", [[0, 1], [1, 0], [7, 7]])
def test_parents_that_cannot_be_are_none(parent):
    assert subtree_ns(whole([0, 1]), whole(parent), whole([3, 4]))[1] == 4


# -- of a pool -----------------------------------------------------------------------------------


def pool(stolen_size=8, local_size=2, stolen_ms=1, local_ms=4, count=40):
    """Return a pool whose worker 1 steals tasks that each spawn one which it runs itself."""
    history = History(2, 0)
    now = MS
    for number in range(0, 2 * count, 2):
        stolen = Task(number, now - 1, 1, now, now + stolen_ms * MS, taken_from=0)
        stolen.spawned_by, stolen.size = 0, stolen_size
        now = stolen.ended + MS
        local = Task(number + 1, stolen.ended - 1, 1, now, now + local_ms * MS)
        local.taken_from, local.spawned_by, local.size = OWN_DEQUE, 1, local_size
        local.parent = number
        now = local.ended + MS
        history.tasks += [stolen, local]
    history.end = now
    return history


def sizes_of(history):
    return sizes(ledger(history).pools[0], 0, history.end)


def test_sizes_are_the_callers_hints_where_given():
    found = sizes_of(pool())
    assert (found.by_hint, found.median_stolen, found.median_local) == (True, 8, 2)
    assert (found.superiority, found.stolen_larger) == (1, "kept")


def test_without_hints_sizes_are_the_time_of_a_task_and_of_all_that_came_from_it():
    """A task that only spawns another and ends is the larger: the thief gets both."""
    found = sizes_of(pool(stolen_size=-1))
    assert (found.by_hint, found.judged_by) == (False, "the time of all that came from it")
    assert (found.median_stolen, found.median_local) == (pytest.approx(0.005), pytest.approx(0.004))
    assert (found.superiority, found.stolen_larger) == (1, "kept")


def test_stolen_tasks_of_the_same_size_are_not_the_larger_ones():
    found = sizes_of(pool(stolen_size=2, count=200))
    assert (found.superiority, found.p, found.stolen_larger) == (0.5, 1, "broken")


def test_a_steal_brings_its_subtree():
    found = sizes_of(pool())
    assert (found.steals, found.own_s, found.subtree_s) == (40, 0.001, 0.005)
    assert found.own_share == pytest.approx(0.2)


def test_stolen_tasks_are_compared_by_how_deep_they_are_in_the_recursion():
    depth = sizes_of(pool()).depth
    assert (depth.stolen, depth.local) == (40, 40)
    assert (depth.median_stolen, depth.median_local, depth.superiority) == (0, 1, 0)
    assert depth.p < 1e-9


def test_depths_are_unknown_where_ancestors_are_not_recorded():
    history = pool()
    for task in history.tasks[::2]:
        task.parent = 10_000
    assert sizes_of(history).depth is None


def test_few_tasks_give_no_reading_of_their_sizes():
    assert sizes_of(pool(count=29)) is None
    assert sizes_of(pool(count=30)) is not None


def test_cancelled_tasks_have_no_size():
    history = pool(count=30)
    history.tasks[0].outcome = CANCELLED
    assert sizes_of(history) is None


def test_the_views_say_it():
    read_ = read(ledger(pool()), source(), None)
    (document,) = json.loads(json_view.render(read_))["pools"]
    assert document["sizes"]["stolen_larger"] == "kept"
    assert document["ends"]["thieves_oldest"] == "unknown"  # there never was a choice
    written = text.explain(read_)
    assert "the stolen one was larger in 100% of all pairs" in written
    assert "Generations below a root (medians): 0 stolen, 1 from the own deque" in written
    assert "A stolen task took 1.0 ms; with all tasks that came from it 5.0 ms" in written
    assert "Thieves took the oldest task in 0 of 0 takes with a choice" in written


def test_pools_that_do_not_steal_are_not_judged():
    held = ledger(pool())
    held.pools[0].kind = "threads"
    found = read(held, source(), None).pools[0]
    assert (found.ends, found.sizes) == (None, None)
