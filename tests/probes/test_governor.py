"""Detail is given up step by step where the probe costs over a hundredth, and comes back."""

from __future__ import annotations

import pytest

import idlehands
from idlehands._detail import NO_TASK, THINNING_FACTOR
from idlehands._governor import CALM_REVIEWS, Governor, Price
from idlehands._pool import PoolProbe
from idlehands._settings import Settings
from idlehands._shared import SharedPool
from idlehands._shared_worker import SKIPPED

SECOND = 1_000_000_000
PRICE = Price(1000.0, 100.0)


class Pool:
    """A pool with so many tasks a second on one worker."""

    last_step = 3

    def __init__(self):
        self.step = 0
        self.done = 0.0
        self.now = SECOND

    def work_recorded(self):
        return self.done

    def workers_present(self):
        return 1

    def turn_to(self, step):
        self.step = step


def reviews(pool, tasks_per_second, count, sending=0.0):
    """Let `count` seconds pass; return the steps after each."""
    steps = []
    for _ in range(count):
        pool.now += SECOND
        pool.done += tasks_per_second
        pool.governor.review(pool.now, sending)
        steps.append(pool.step)
    return steps


@pytest.fixture
def watched():
    pool = Pool()
    pool.governor = Governor(pool, PRICE)
    reviews(pool, 0, 1)
    return pool


def test_below_a_hundredth_of_the_worker_time_everything_is_recorded(watched):
    assert reviews(watched, 9_900, 5) == [0] * 5


def test_above_a_hundredth_each_review_gives_up_a_step_until_it_is_cheap_enough(watched):
    # 50 000 tasks: 5 % in full; one in 16 costs 5 000 + 3 125 µs, 0.8 %.
    assert reviews(watched, 50_000, 4) == [1, 2, 2, 2]


def test_where_even_a_thinned_record_costs_too_much_tasks_are_only_counted(watched):
    assert reviews(watched, 200_000, 5) == [1, 2, 3, 3, 3]


def test_sending_counts_as_a_cost_too(watched):
    assert reviews(watched, 6_000, 2, sending=1000.0) == [1, 2]


def test_detail_comes_back_after_a_while_of_costing_less_than_half_the_limit(watched):
    reviews(watched, 50_000, 3)
    assert reviews(watched, 4_000, CALM_REVIEWS) == [2] * (CALM_REVIEWS - 1) + [1]
    assert reviews(watched, 4_000, CALM_REVIEWS)[-1] == 0


def test_with_few_tasks_nothing_is_given_up_however_much_a_review_cost(watched):
    assert reviews(watched, 500, 3, sending=1e6) == [0] * 3


def test_reviews_in_quick_succession_change_nothing(watched):
    for _ in range(5):
        watched.now += 1000
        watched.done += 5_000
        watched.governor.review(watched.now, 0.0)
    assert watched.step == 0


def test_full_detail_can_be_asked_for(watched, monkeypatch):
    monkeypatch.setattr(Settings, "full_detail", False)
    reviews(watched, 200_000, 3)
    idlehands.configure(full_detail=True)
    assert reviews(watched, 200_000, 2) == [0, 0]


def test_a_hand_written_pool_gives_up_cpu_times_and_no_more(pool: PoolProbe):
    governor = Governor(pool, PRICE)
    governor.review(SECOND, 0.0)
    worker = pool.worker(0)
    worker.cpu_kinds.add(0)
    for second in range(2, 6):
        for _ in range(200):
            worker.tasks.written += 250
        governor.review(second * SECOND, 0.0)
    assert pool.step == 1
    assert worker.cpu_kinds == set()


def test_a_thinned_pool_marks_all_tasks_but_one_in_so_many_as_only_counted():
    pool = SharedPool("quay", "thread pool", 0, 4)
    pool.turn_to(2)
    tokens = [pool.queued(0) for _ in range(4 * THINNING_FACTOR)]
    assert sum(token is not SKIPPED for token in tokens) == 4
    pool.turn_to(3)
    assert {id(pool.queued(0)) for _ in range(100)} == {id(SKIPPED)}
    assert pool.every == NO_TASK
    pool.turn_to(0)
    assert pool.queued(0) is not SKIPPED
