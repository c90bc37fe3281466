"""How numbers, names and outcomes are written, and that no sentence says what is not so."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading
from rich.cells import cell_len

from idlehands_monitor.analysis.findings import CAUSES
from idlehands_monitor.analysis.parking_readings import ParkingReading, SpinReading
from idlehands_monitor.analysis.readings import KindReading
from idlehands_monitor.analysis.scheduler_findings import SchedulerUse
from idlehands_monitor.views import html, json, text
from idlehands_monitor.views.words import number_of, shortened

NORTH = "kilns.firing.fire_the_large_glazed_tiles_of_the_north_kiln"
SOUTH = "kilns.firing.fire_the_large_glazed_tiles_of_the_south_kiln"


@pytest.mark.parametrize(
    ("number", "noun", "written"),
    [
        (1, "worker", "1 worker"),
        (0, "worker", "0 workers"),
        (2, "lost race", "2 lost races"),
        (2, "process", "2 processes"),
    ],
)
def test_a_noun_has_the_number_that_stands_before_it(number, noun, written):
    assert number_of(number, noun) == written


def test_a_long_name_loses_its_middle_and_keeps_both_ends():
    assert shortened("kilns.firing.Kiln.fire", 12) == "kil…iln.fire"
    assert shortened("kilns.fire", 12) == "kilns.fire"


@pytest.mark.parametrize("cells", [8, 11, 16, 24, 40])
def test_two_names_that_differ_in_their_middle_still_differ_when_cut(cells):
    cut = {shortened(name, cells, (NORTH, SOUTH)) for name in (NORTH, SOUTH)}
    assert len(cut) == 2


@given(st.text(max_size=60), st.integers(1, 30), st.lists(st.text(max_size=60), max_size=3))
def test_a_shortened_name_is_never_wider_than_its_room(name, cells, among):
    assert cell_len(shortened(name, cells, among)) <= cells


def with_tasks(**changes):
    """Return a reading whose pool's tasks are changed, of work that steals."""
    base = reading()
    pool = base.pools[0]
    return replace(base, pools=(replace(pool, tasks=replace(pool.tasks, **changes)),))


@pytest.mark.parametrize("view", [text.explain, html.render])
def test_a_report_of_a_pool_without_an_ended_task_shows_no_median(view):
    unended = KindReading("load", 0, 0.0, None, 0, blocked_s=2.0)
    said = view(with_tasks(finished=0, kinds=(unended,), median_queue_wait_s=None))
    assert "median wait in the queue –" in said
    assert "–" in said.partition("load")[2][:80]


def test_the_document_of_a_pool_without_an_ended_task_has_null_for_its_medians():
    unended = KindReading("load", 0, 0.0, None, 0)
    (pool,) = json.document(with_tasks(finished=0, kinds=(unended,), median_queue_wait_s=None))[
        "pools"
    ]
    assert pool["tasks"]["median_queue_wait_s"] is None
    assert pool["tasks"]["kinds"][0]["median_s"] is None


@pytest.mark.parametrize("view", [text.explain, text.second_line, html.render])
def test_every_report_says_how_many_tasks_failed_and_which_share_that_is(view):
    assert "752 failed (80 %)" in view(with_tasks(finished=940, failed=752))


def test_the_document_has_the_share_of_failed_tasks():
    (pool,) = json.document(with_tasks(finished=940, failed=752))["pools"]
    assert pool["tasks"]["failed_share"] == pytest.approx(0.8)


def test_a_report_of_one_worker_does_not_speak_of_workers():
    for view in (text.explain, html.render, text.second_line):
        assert "1 workers" not in view(reading(workers=1, hits=0))


def test_the_html_joins_the_state_and_the_note_in_one_sentence():
    said = html.render(reading(state="replay", note="at the end of the capture"))
    assert "replay, process 4711" in said
    assert "replay. at" not in said


def test_no_advice_asks_a_reader_of_a_report_to_open_something():
    assert not any("Open a worker" in cause.advice for cause in CAUSES)


def test_only_who_wrote_the_worker_is_advised_to_spin():
    spins = (SpinReading(0.0002, 1, 0.0, 0.4, 0.6, 1.0),)
    parking = ParkingReading(10.0, 40, 40, 0.1, 0.1, 0.1, 40, 0, 0.001, 0.001, 0.001, spins, 0.2)
    pool = replace(reading().pools[0], parking=parking)
    assert "spinning 200 µs first" in text.explain(replace(reading(), pools=(pool,)))
    shared = replace(pool, kind="thread pool")
    assert "spinning" not in text.explain(replace(reading(), pools=(shared,)))


def test_a_pool_without_deques_cannot_be_told_to_spin():
    parts = dict.fromkeys(("ends", "larger_steals", "parking", "contention", "stealing"))
    assert not SchedulerUse.of({**parts, "promises": ()}).can_spin
