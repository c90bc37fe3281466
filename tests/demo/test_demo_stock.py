"""The tide archive in pools of the standard library: right totals, own counts, and its faults."""

from __future__ import annotations

import copy
import threading
from dataclasses import replace

import pytest

import idlehands_demo.stock as stock
from idlehands_demo.archive import make_archive, shape_of
from idlehands_demo.faults import FAULTS, NO_FAULT, PoolChoice
from idlehands_demo.plan import Plan
from idlehands_demo.scenarios import Settings
from idlehands_demo.stock import StockPass, StockPool, plan_for_stock, run_stock_archive
from idlehands_demo.tape import Drive, UnreadableTape, tape_at


@pytest.fixture(autouse=True)
def without_probe(monkeypatch):
    """Leave the standard library of the test's own process as it is."""
    monkeypatch.setattr(stock.idlehands, "install", lambda: None)


CARRIED = [
    (choice, fault)
    for choice in (PoolChoice.THREADS, PoolChoice.PROCESSES)
    for fault in (NO_FAULT, *FAULTS.values())
    if choice in fault.pools
]


@pytest.mark.parametrize(
    ("choice", "fault"), CARRIED, ids=[f"{choice.value}-{fault.name}" for choice, fault in CARRIED]
)
def test_every_fault_that_a_stock_pool_carries_runs_until_its_time_is_up(choice, fault):
    for seconds in (0.5, 3.0, 30.0):  # on a busy machine a day may take longer than the first
        outcome = run_stock_archive(Settings(4, seconds, 1, fault, choice), threading.Event())
        if outcome.station_days:
            break
    assert outcome.totals_ok
    assert outcome.station_days > 0
    counts = outcome.report()
    assert counts["workers"] == (fault.plan.workers or 4)
    assert counts["spawned"] == counts["tasks_finished"] + counts["tasks_cancelled"]
    assert (counts["tasks_failed"] > 0) is (fault.name == "failing-tasks")


@pytest.mark.parametrize("choice", [PoolChoice.THREADS, PoolChoice.PROCESSES])
def test_a_whole_pass_in_a_stock_pool_finds_the_planted_truth(monkeypatch, choice):
    monkeypatch.setattr(stock, "plan_for_stock", lambda *_: Plan(1, 20, delay_factor=0.01))
    stop = threading.Event()
    fed = stock.Feeder.feed

    def once(self, plan, workers, shape):
        totals = fed(self, plan, workers, shape)
        stop.set()
        return totals

    monkeypatch.setattr(stock.Feeder, "feed", once)
    outcome = run_stock_archive(Settings(2, None, 1, NO_FAULT, choice), stop)
    assert (outcome.passes, outcome.station_days, outcome.totals_ok) == (1, 20, True)
    assert outcome.report()["tasks_finished"] == 20


def test_batches_of_a_stock_pool_are_single_station_days_and_one_for_each_worker():
    plan = plan_for_stock(NO_FAULT, 8)
    assert (plan.stations, plan.days, plan.streams(8)) == (1, 640, 8)
    assert plan_for_stock(FAULTS["slow-submitter"], 8).prepare == 0.04 / 4
    assert plan_for_stock(FAULTS["stuck-worker"], 8).stuck_days == range(12, 16)
    assert plan_for_stock(FAULTS["grain-too-coarse"], 8).stations == 4
    assert plan_for_stock(FAULTS["nested-wait"], 8).streams(8) == 6  # two workers are left


def test_a_drive_in_another_process_has_a_lock_of_its_own():
    drive = Drive(FAULTS["lock-wait"].plan, threading.Event())
    other = copy.copy(drive)  # by `__reduce__`, as pickling does
    assert other is not drive
    assert other._plan == drive._plan
    assert other._lock is not drive._lock


def test_a_reading_that_failed_is_handed_in_again():
    plan = replace(FAULTS["failing-tasks"].plan, stations=1, days=30, delay_factor=0.01)
    archive = make_archive(shape_of(plan), 1)
    place = next(day for day in range(30) if archive.failures[0, day] == 1)
    tape = tape_at(archive, plan, 0, place)
    with pytest.raises(UnreadableTape):
        Drive(plan).read(tape)
    pool = StockPool(PoolChoice.THREADS, 1, Drive(plan))
    one = StockPass(pool, archive, threading.Event(), plan, nested=False)
    part = stock.Rectangle(0, 1, place, place + 1)
    with pool.executor:
        assert one.hand_in(part).join(20) == Drive(plan).read(tape, attempt=1)
    assert pool.report()["tasks_failed"] == 1
    assert pool.report()["tasks_finished"] == 2
