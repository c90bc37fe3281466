"""Steals stay within the published maximum for complete trees."""

from __future__ import annotations

import time

import pytest

from helpers import most_steals
from idlehands_demo.switches import Switches


def walk(pool, height):
    """One root-to-leaf walk: at each inner node spawn one child, go on with the other."""
    while height:
        height -= 1
        pool.spawn(walk, pool, height)
    time.sleep(0.00002)  # lets thieves in: without it one worker may do it all


@pytest.mark.parametrize(
    ("workers", "height", "most"),
    [(2, 10, 10), (4, 10, 175), (8, 10, 967), (3, 2, 3), (3, 3, 6), (3, 4, 10), (4, 3, 7)],
)
def test_steals_in_a_complete_binary_tree_stay_within_the_bound(make_pool, workers, height, most):
    assert most_steals(workers - 1, height) == most
    stolen = 0
    for seed in range(3 if height == 10 else 40):
        pool = make_pool(workers, seed)
        pool.submit(walk, pool, height)
        pool.shutdown()
        steals = sum(map(sum, pool.steals))
        assert pool.tasks_finished == 2**height
        assert steals <= most
        stolen += steals
    assert stolen > 0, "nothing was stolen, so nothing was tested"


def test_thieves_that_take_the_newest_task_break_the_bound(make_pool):
    pool = make_pool(2, switches=Switches(thieves_take_newest=True))
    pool.submit(walk, pool, 10)
    pool.shutdown()
    assert sum(map(sum, pool.steals)) > most_steals(1, 10)
