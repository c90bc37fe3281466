"""The tide archive's totals equal the planted truth, whatever the seed and the workers."""

from __future__ import annotations

import threading
import time
from dataclasses import replace

import numpy as np
import pytest

from idlehands_demo import tide
from idlehands_demo.archive import ArchiveShape, Totals, make_archive
from idlehands_demo.faults import FAULTS
from idlehands_demo.scenarios import Outcome, Settings
from idlehands_demo.station_day import evaluate, find_spikes, running_median
from idlehands_demo.tide import Rectangle, TidePass, batches, run_tide_archive

SMALL = ArchiveShape(stations=4, days=50, samples=1440, blocks=24, tape_delay=0.0002)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("workers", [1, 2, 8])
@pytest.mark.parametrize("chained", [False, True])
def test_totals_equal_the_planted_truth(make_pool, seed, workers, chained):
    archive = make_archive(SMALL, seed)
    one = TidePass(make_pool(workers), archive, threading.Event())
    assert one.run(chained, None) == archive.expected
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
    totals = TidePass(make_pool(2), archive, threading.Event()).run(False, None)
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


@pytest.mark.parametrize("days", [1, 5, 48, 100, 240])
def test_batches_cover_every_day_once(days):
    parts = batches(ArchiveShape(stations=2, days=days))
    covered = [day for part in parts for day in range(part.first_day, part.end_day)]
    assert covered == list(range(days))


def test_impossible_archives_are_refused():
    with pytest.raises(ValueError, match="samples"):
        ArchiveShape(samples=10)
    with pytest.raises(ValueError, match="stations"):
        ArchiveShape(stations=0)


def test_a_pass_ends_soon_after_it_is_stopped(make_pool):
    pool = make_pool(4)
    stop = threading.Event()
    one = TidePass(pool, make_archive(ArchiveShape(), 1), stop)
    thread = threading.Thread(target=one.run, args=(False, None))
    thread.start()
    deadline = time.monotonic() + 20
    while pool.tasks_finished < 20 and time.monotonic() < deadline:
        time.sleep(0.001)
    stopped = time.monotonic()
    stop.set()
    thread.join(20)
    assert time.monotonic() - stopped < 1.0
    assert one.cut_short


@pytest.mark.parametrize("fault", FAULTS.values(), ids=list(FAULTS))
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

            def run(self, chained, deadline, stop=stop):
                totals = super().run(chained, deadline)
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
        def station_day(self, part):
            nonlocal deepest
            deepest = max(deepest, sum(pool.deque_depths()[1]) + pool.deque_depths()[0])
            return super().station_day(part)

    archive = make_archive(replace(SMALL, stations=1), 1)
    assert Watched(pool, archive, threading.Event()).run(True, None) == archive.expected
    assert deepest == 0


def test_slow_tapes_are_fifteen_times_slower():
    assert FAULTS["slow-tapes"].delay_factor == 15.0


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
