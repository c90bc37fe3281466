"""The tide archive's totals equal the planted truth, whatever the seed and the workers."""

from __future__ import annotations

import threading
import time
import zlib
from dataclasses import replace

import numpy as np
import pytest

from idlehands_demo import rectangle, tape, tide
from idlehands_demo.archive import ArchiveShape, Block, Totals, make_archive
from idlehands_demo.faults import FAULTS, PoolChoice
from idlehands_demo.plan import Plan
from idlehands_demo.rectangle import Rectangle, single_station_days, singles
from idlehands_demo.scenarios import Outcome, Settings
from idlehands_demo.station_day import evaluate, find_spikes, running_median
from idlehands_demo.tape import Drive, Tape, search_plainly, tape_at
from idlehands_demo.tide import TidePass, run_tide_archive

SMALL = ArchiveShape(stations=4, days=50, samples=1440, blocks=24, tape_delay=0.0002)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("workers", [1, 2, 8])
@pytest.mark.parametrize("chained", [False, True])
def test_totals_equal_the_planted_truth(make_pool, seed, workers, chained):
    archive = make_archive(SMALL, seed)
    plan = Plan(chained=chained)
    one = TidePass(make_pool(workers), archive, threading.Event(), plan, workers)
    assert one.run(None) == archive.expected
    assert not one.cut_short


def test_the_default_archive_is_evaluated_right_serially():
    shape = ArchiveShape(stations=6, days=20, blocks=30)
    archive = make_archive(shape, 5)
    totals = Totals()
    for place in np.ndindex(6, 20):
        block = archive.blocks[archive.block_of[place]]
        totals = totals.merged(evaluate(block, int(archive.datum[place])))
    assert totals == archive.expected


def test_the_planted_truth_holds_spikes_and_damaged_blocks():
    expected = make_archive(SMALL, 1).expected
    assert expected.station_days == 200
    assert expected.spikes > 200
    assert 0 < expected.damaged < 50
    assert expected.high_water > 0


def test_one_station_day_evaluated_wrong_changes_the_totals(make_pool):
    archive = make_archive(SMALL, 1)
    place = tuple(np.argwhere(archive.block_of >= SMALL.damaged)[0])
    archive.datum[place] += 1
    totals = TidePass(make_pool(2), archive, threading.Event()).run(None)
    assert totals.sum_mm != archive.expected.sum_mm


def test_the_same_seed_makes_the_same_archive_and_delays():
    one, other = make_archive(SMALL, 3), make_archive(SMALL, 3)
    assert one.blocks == other.blocks
    assert np.array_equal(one.delay, other.delay)
    assert make_archive(SMALL, 4).expected != one.expected


def test_the_running_median_is_that_of_each_window():
    levels = np.random.default_rng(1).integers(-500, 500, 60).astype(np.int16)
    padded = np.concatenate([levels[4:0:-1], levels, levels[-2:-6:-1]])
    expected = [np.median(padded[start : start + 9]) for start in range(60)]
    assert running_median(levels).tolist() == expected


def test_spikes_are_found_at_their_places_only():
    levels = (1000 * np.sin(np.arange(1440) / 60)).astype(np.int16)
    levels[[0, 100, 700, 1439]] += np.array([800, -800, 900, 700], dtype=np.int16)
    assert np.flatnonzero(find_spikes(levels)).tolist() == [0, 100, 700, 1439]


def test_a_wrong_checksum_counts_as_damaged_and_nothing_else():
    block = make_archive(SMALL, 1).blocks[SMALL.damaged]
    broken = replace(block, checksum=block.checksum ^ 1)
    assert evaluate(broken, 0) == Totals(station_days=1, damaged=1)
    assert evaluate(block, 0).damaged == 0


def test_merging_keeps_extremes_and_adds_the_rest():
    one = Totals(1, 0, 2, 10, 100, -5, 30, 1)
    assert one.merged(Totals(1, 1)) == Totals(2, 1, 2, 10, 100, -5, 30, 1)
    assert one.mean_mm == 10.0


def test_a_rectangle_is_halved_along_its_longer_side():
    assert Rectangle(0, 8, 0, 3).halves() == (Rectangle(0, 4, 0, 3), Rectangle(4, 8, 0, 3))
    assert Rectangle(0, 3, 0, 7).halves() == (Rectangle(0, 3, 0, 3), Rectangle(0, 3, 3, 7))


@pytest.mark.parametrize("days", [1, 5, 48])
def test_the_parts_of_an_archive_cover_every_station_day_once(days):
    shape = ArchiveShape(stations=3, days=days)
    everything = [(station, day) for day in range(days) for station in range(3)]
    by_day = [single for part in rectangle.days(shape) for single in singles(part)]
    for parts in (by_day, single_station_days(shape)):
        assert [(part.first_station, part.first_day) for part in parts] == everything


def test_impossible_archives_are_refused():
    with pytest.raises(ValueError, match="samples"):
        ArchiveShape(samples=10)
    with pytest.raises(ValueError, match="stations"):
        ArchiveShape(stations=0)


def test_a_pass_ends_soon_after_it_is_stopped(make_pool):
    pool = make_pool(4)
    stop = threading.Event()
    one = TidePass(pool, make_archive(ArchiveShape(), 1), stop)
    thread = threading.Thread(target=one.run, args=(None,))
    thread.start()
    deadline = time.monotonic() + 20
    while pool.tasks_finished < 20 and time.monotonic() < deadline:
        time.sleep(0.001)
    stopped = time.monotonic()
    stop.set()
    thread.join(20)
    assert time.monotonic() - stopped < 1.0
    assert one.cut_short


IN_ONE_POOL = [
    fault
    for fault in FAULTS.values()
    if PoolChoice.STEALING in fault.pools and fault.scenario in ("", "tide-archive")
]


@pytest.mark.parametrize("fault", IN_ONE_POOL, ids=[fault.name for fault in IN_ONE_POOL])
def test_every_fault_runs_until_its_time_is_up(fault):
    for seconds in (0.3, 3.0, 30.0):  # on a busy machine a day may take longer than the first
        outcome = run_tide_archive(Settings(4, seconds, 1, fault), threading.Event())
        if outcome.station_days:
            break
    assert outcome.totals_ok
    assert outcome.station_days > 0
    assert outcome.pools[0].switches == fault.switches


def test_a_pass_whose_totals_differ_from_the_truth_is_reported(monkeypatch):
    archive = make_archive(SMALL, 1)
    wrong = replace(archive, expected=replace(archive.expected, spikes=0))
    for made, ok in ((archive, True), (wrong, False)):
        monkeypatch.setattr(tide, "make_archive", lambda shape, seed, made=made: made)
        stop = threading.Event()

        class Counted(TidePass):
            """A pass after which there is no other, however fast the machine is."""

            def run(self, deadline, stop=stop):
                totals = super().run(deadline)
                stop.set()
                return totals

        monkeypatch.setattr(tide, "TidePass", Counted)
        outcome = run_tide_archive(Settings(2, 60.0), stop)
        assert outcome.passes == 1
        assert outcome.totals_ok is ok


def test_a_single_station_leaves_work_for_one_worker_at_a_time(make_pool):
    pool = make_pool(4)
    deepest = 0

    class Watched(TidePass):
        def station_day(self, part, attempt=0):
            nonlocal deepest
            deepest = max(deepest, sum(pool.deque_depths()[1]) + pool.deque_depths()[0])
            return super().station_day(part, attempt)

    archive = make_archive(replace(SMALL, stations=1), 1)
    plan = FAULTS["single-station"].plan
    assert Watched(pool, archive, threading.Event(), plan).run(None) == archive.expected
    assert deepest == 0


def test_from_some_day_on_rewinding_takes_three_times_the_wait_for_the_tape(monkeypatch):
    slept = []
    monkeypatch.setattr(tape.time, "sleep", slept.append)
    archive = make_archive(SMALL, 1)
    plan = replace(FAULTS["slow-tapes"].plan, rewind_from=1)
    before, after = (tape_at(archive, plan, 0, day) for day in (0, 1))
    for one in (before, after):
        Drive(plan, sleep=slept.append).read(one)
    assert slept == [before.delay, after.delay, 3.0 * after.delay]


@pytest.mark.parametrize("pages", [1, 3, 512])
def test_the_pages_of_a_tape_are_all_of_it(pages):
    packed = make_archive(SMALL, 1).blocks[0].packed
    size = -(-len(packed) // pages)
    assert [tape.check_page(packed, number, pages) for number in range(pages)] == [
        zlib.crc32(packed[number * size : (number + 1) * size]) for number in range(pages)
    ]


def test_the_tapes_of_a_day_take_about_as_long_and_uneven_ones_do_not():
    even = make_archive(SMALL, 1).delay / SMALL.tape_delay
    uneven = make_archive(replace(SMALL, uneven=True), 1).delay / SMALL.tape_delay
    of_a_day = even / even.mean(axis=0)
    assert 0.96 < of_a_day.min() < 1.0 < of_a_day.max() < 1.04
    assert even.min() < 0.8 < 1.2 < even.max()
    assert even.mean() == pytest.approx(1.0, abs=0.1)
    assert (uneven / uneven.mean(axis=0)).max() > 2.0
    assert uneven.mean() == pytest.approx(1.0, abs=0.25)


def test_readings_that_fail_are_made_again_until_the_totals_are_right(make_pool):
    archive = make_archive(replace(SMALL, failing=0.4), 1)
    pool = make_pool(4)
    plan = FAULTS["failing-tasks"].plan
    assert TidePass(pool, archive, threading.Event(), plan, 4).run(None) == archive.expected
    assert pool.tasks_failed == archive.failures.sum()
    # The mean of a geometric distribution: 0.4 / 0.6 failures before the success.
    assert archive.failures.mean() == pytest.approx(2 / 3, abs=0.25)


def test_the_tapes_of_a_lost_day_hold_their_workers_until_the_run_is_stopped(make_pool, wait_until):
    pool, stop = make_pool(4), threading.Event()
    archive = make_archive(replace(SMALL, days=6), 1)
    plan = FAULTS["stuck-worker"].plan
    one = TidePass(pool, archive, stop, plan, 4)
    run = threading.Thread(target=one.run, args=(None,))
    run.start()
    wait_until(lambda: pool.tasks_finished >= 3 * 11)  # the three days before it
    wait_until(lambda: sum(pool.deque_depths()[1]) + pool.deque_depths()[0] == 0)
    assert run.is_alive()
    assert pool.tasks_finished == 3 * 11
    stop.set()
    run.join(20)
    assert not run.is_alive()


def test_the_plain_search_counts_the_steps_upwards():
    levels = np.array([3, 5, 4, 9, 9], dtype="<i2")
    block = Block(zlib.compress(levels.tobytes()), 0)
    assert search_plainly(Tape(block, 0, 0.0)) == 3


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Outcome(passes=0), "totals not checked"),
        (Outcome(passes=1), "totals ok"),
        (Outcome(passes=1, totals_ok=False), "totals wrong"),
    ],
)
def test_the_summary_says_how_the_check_went(outcome, words):
    assert outcome.summary("tide-archive").endswith(words)
