"""Work comes into a pool as the plan says: so much in flight, group after group, by the clock."""

from __future__ import annotations

import threading
import time

import pytest

from idlehands_demo.archive import ArchiveShape, Totals
from idlehands_demo.feeding import Feeder
from idlehands_demo.plan import TAPE_DELAY, Plan

SHAPE = ArchiveShape(stations=2, days=12)


class Counted:
    """Stands for a pool: each part settles when the test lets it, and what is there is counted."""

    def __init__(self, settles_at_once=True):
        self.handed_in = []
        self.open = 0
        self.most_open = 0
        self.left_behind = []
        self._settles_at_once = settles_at_once
        self._lock = threading.Lock()
        self.release = threading.Event()

    def hand_in(self, part):
        with self._lock:
            self.handed_in.append(part)
            self.left_behind.append(self.open)
            self.open += 1
            self.most_open = max(self.most_open, self.open)
        return Part(self, part)


class Part:
    """One part that was handed in."""

    def __init__(self, pool, part):
        self._pool, self._part = pool, part

    @property
    def settled(self):
        return self._pool._settles_at_once

    def join(self, timeout=None):
        if not self._pool._settles_at_once and not self._pool.release.wait(timeout):
            raise TimeoutError
        time.sleep(0)
        with self._pool._lock:
            self._pool.open -= 1
        return Totals(station_days=self._part.station_days)


def fed(plan, workers, pool, deadline=None):
    feeder = Feeder(pool.hand_in, threading.Event(), deadline)
    return feeder, feeder.feed(plan, workers, SHAPE)


@pytest.mark.parametrize(
    "plan",
    [Plan(), Plan(barrier=True), Plan(paced=True), Plan(prepare=0.001)],
    ids=["closed", "barrier", "paced", "slow submitter"],
)
def test_every_station_day_is_handed_in_once_and_summed_up(plan):
    pool = Counted()
    feeder, totals = fed(plan, 8000, pool)  # so many workers that the clock is fast
    assert totals.station_days == 24
    assert sum(part.station_days for part in pool.handed_in) == 24
    assert len(set(pool.handed_in)) == len(pool.handed_in)
    assert not feeder.cut_short


@pytest.mark.parametrize(("workers", "streams"), [(1, 1), (4, 1), (8, 2), (16, 4), (9, 2)])
def test_the_healthy_plan_has_one_station_day_in_flight_for_each_worker(workers, streams):
    assert Plan().streams(workers) == streams
    pool = Counted()
    fed(Plan(), workers, pool)
    assert pool.most_open <= streams


def test_a_group_is_handed_in_when_all_of_the_group_before_have_ended():
    pool = Counted()
    fed(Plan(barrier=True), 8, pool)
    assert pool.left_behind == [*range(8)] * 3


def test_by_the_clock_parts_are_handed_in_although_none_has_ended(wait_until):
    pool = Counted(settles_at_once=False)
    run = threading.Thread(target=fed, args=(Plan(stations=2, paced=True), 8000, pool))
    run.start()
    wait_until(lambda: len(pool.handed_in) == 12)
    assert pool.open == 12
    pool.release.set()
    run.join(20)
    assert pool.open == 0


def test_the_clock_has_the_pace_that_the_workers_could_just_keep():
    assert Plan(stations=4).interval(8) == pytest.approx(4 * TAPE_DELAY / 8)


def test_a_slow_submitter_hands_in_no_faster_than_it_prepares():
    pool = Counted()
    began = time.monotonic()
    fed(Plan(prepare=0.005), 8, pool)
    assert time.monotonic() - began >= 12 * 0.005


def test_a_run_that_is_stopped_says_that_it_was_cut_short():
    pool, stop = Counted(), threading.Event()
    feeder = Feeder(pool.hand_in, stop, None)
    stop.set()
    assert feeder.feed(Plan(), 8, SHAPE) == Totals()
    assert feeder.cut_short
    assert not pool.handed_in


def test_an_error_in_one_stream_stops_all_and_reaches_the_caller():
    pool, stop = Counted(), threading.Event()

    def hand_in(part):
        if part.first_day == 3:
            raise KeyError("the third day is missing")
        return pool.hand_in(part)

    with pytest.raises(KeyError, match="third day"):
        Feeder(hand_in, stop, None).feed(Plan(), 8, SHAPE)
    assert stop.is_set()


def test_the_deadline_stops_the_feeding_while_parts_are_unfinished():
    pool = Counted(settles_at_once=False)
    stop = threading.Event()
    feeder = Feeder(pool.hand_in, stop, time.monotonic() + 0.05)
    released = threading.Thread(target=lambda: (stop.wait(20), pool.release.set()))
    released.start()
    feeder.feed(Plan(), 8, SHAPE)
    released.join(20)
    assert stop.is_set()
    assert feeder.cut_short


def test_impossible_plans_are_refused():
    for wrong in ({"stations": 0}, {"pages": -1}, {"failing": 1.0}):
        with pytest.raises(ValueError, match="a plan has"):
            Plan(**wrong)
