"""How numbers, names and outcomes are written, and that no sentence says anything false."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading
from rich.cells import cell_len

from idlehands_monitor.analysis.verdicts.findings import CAUSES, findings
from idlehands_monitor.analysis.verdicts.scheduler_findings import SchedulerUse
from idlehands_monitor.model.parking import ParkingReading, SpinReading
from idlehands_monitor.model.reading import StrandedReading
from idlehands_monitor.model.scheduler import SchedulerReading
from idlehands_monitor.model.tasks import KindReading
from idlehands_monitor.model.worker_time import WorkerTime
from idlehands_monitor.views import html, json, line, markdown, text
from idlehands_monitor.views.formatting import number_of, short_kind, shortened, without_main
from idlehands_monitor.views.sections.external import PROBE_ADVICE, advice_lines
from idlehands_monitor.views.sections.report import report
from idlehands_monitor.views.sections.tasks import kinds_table
from idlehands_monitor.views.terminal import kinds

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


def test_a_kind_loses_its_modules_first_unless_another_kind_ends_as_it_does():
    kind = "kilns.firing.Kiln.fire"
    assert short_kind(kind, 12) == "Kiln.fire"
    assert short_kind(kind, 8) == "fire"
    assert short_kind(kind, 12, (kind, "stoves.Kiln.fire")) == shortened(kind, 12)
    assert short_kind(kind, 3) == shortened(kind, 3)
    assert short_kind("fire", 12) == "fire"


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("__main__.fire", "fire"),
        ("__main__.Kiln.fire", "Kiln.fire"),
        ("kilns.fire", "kilns.fire"),
        ("kilns.__main__.fire", "kilns.__main__.fire"),
        ("__main__.fire waits for __main__.load", "fire waits for load"),
        ("the pool made at __main__.py:12", "the pool made at __main__.py:12"),
    ],
)
def test_what_is_of_the_main_module_stands_without_its_module_on_the_screen(written, shown):
    assert without_main(written) == shown


def test_kinds_of_the_main_module_lose_its_name_on_the_screen_and_keep_it_in_json():
    held = with_tasks(kinds=(KindReading("__main__.fire_the_kiln", 10, 1.0, 0.1, 0),))
    rows = kinds.kind_rows(held.pools[0], 80, 4)
    assert rows[1][0][0].startswith("fire_the_kiln ")
    assert "__main__.fire_the_kiln" in json.render(held)


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


def whole_markdown(held):
    return markdown.page(report(held))


@pytest.mark.parametrize("view", [text.explain, whole_markdown, html.render])
def test_a_report_of_a_pool_without_an_ended_task_shows_no_median(view):
    unended = KindReading("load", 0, 0.0, None, 0, blocked_s=2.0)
    written = view(with_tasks(finished=0, kinds=(unended,), median_queue_wait_s=None))
    assert "median wait in the queue –" in written
    assert "–" in written.partition("load")[2][:80]


def test_the_document_of_a_pool_without_an_ended_task_has_null_for_its_medians():
    unended = KindReading("load", 0, 0.0, None, 0)
    (pool,) = json.document(with_tasks(finished=0, kinds=(unended,), median_queue_wait_s=None))[
        "pools"
    ]
    assert pool["tasks"]["median_queue_wait_s"] is None
    assert pool["tasks"]["kinds"][0]["median_s"] is None


@pytest.mark.parametrize(
    ("view", "failed"),
    [
        (text.explain, "752 of them failed (80 %)"),
        (line.second_line, "752 failed (80 %)"),
        (html.render, "752 of them failed (80 %)"),
    ],
)
def test_every_report_says_how_many_tasks_failed_and_which_share_that_is(view, failed):
    assert failed in view(with_tasks(finished=940, failed=752))


def test_the_document_has_the_share_of_failed_tasks():
    (pool,) = json.document(with_tasks(finished=940, failed=752))["pools"]
    assert pool["tasks"]["failed_share"] == pytest.approx(0.8)


def test_a_report_of_one_worker_does_not_speak_of_workers():
    for view in (text.explain, html.render, line.second_line):
        assert "1 workers" not in view(reading(workers=1, hits=0))


def test_the_html_joins_the_state_and_the_note_in_one_sentence():
    written = html.render(reading(state="replay", note="at the end of the capture"))
    assert "replay, process 4711" in written
    assert "replay. at" not in written


def test_no_advice_asks_a_reader_of_a_report_to_open_something():
    assert not any("Open a worker" in cause.advice for cause in CAUSES)


def test_only_a_job_with_workers_of_its_own_is_advised_to_spin():
    spins = (SpinReading(0.0002, 1, 0.0, 0.4, 0.6, 1.0),)
    parking = ParkingReading(10.0, 40, 40, 0.1, 0.1, 0.1, 40, 0, 0.001, 0.001, 0.001, spins, 0.2)
    pool = replace(reading().pools[0], parking=parking)
    assert "spinning 200 µs first" in text.explain(replace(reading(), pools=(pool,)))
    shared = replace(pool, kind="thread pool")
    assert "spinning" not in text.explain(replace(reading(), pools=(shared,)))


def test_a_pool_without_deques_is_not_advised_to_spin():
    assert not SchedulerUse.of(SchedulerReading()).can_spin


@pytest.mark.parametrize(
    ("core_time", "says"),
    [
        ("kernel", {"working": "1.0 s", "blocked": "2.0 s", "run-queue wait": "3.0 s"}),
        ("process", {"working": "1.0 s", "blocked or run-queue wait": "5.0 s"}),
        ("tasks", {"working": "1.0 s", "blocked or run-queue wait": "5.0 s"}),
        ("assumed", {"in tasks": "6.0 s", "of it in recorded waits": "2.0 s"}),
    ],
)
def test_the_time_of_a_kind_is_divided_no_further_than_it_is_known(core_time, says):
    kind = KindReading("load", 1, 6.0, 6.0, 0, 1.0, 2.0, 3.0)
    (pool,) = with_tasks(kinds=(kind,)).pools
    table = kinds_table(replace(pool, core_time=core_time))
    (row,) = [dict(zip((c.name for c in table.columns), row, strict=True)) for row in table.rows]
    rest = {"kind", "finished", "failed", "median", "stolen"}
    assert {name: cell for name, cell in row.items() if name not in rest} == says


def test_a_worker_of_which_only_time_in_tasks_is_known_is_not_called_working():
    (pool,) = reading().pools
    written = text.explain(replace(reading(), pools=(replace(pool, core_time="assumed"),)))
    assert "in tasks" in written.partition("\nWorkers\n")[2]
    assert not any(line.lstrip().startswith("working") for line in written.splitlines())
    assert "working" not in written.partition("\nWorkers\n")[2]


def test_a_line_without_a_screen_calls_time_in_tasks_working_only_where_that_is_known():
    (pool,) = reading().pools
    written = line.second_line(replace(reading(), pools=(replace(pool, core_time="assumed"),)))
    assert "in tasks 25 %" in written or "in tasks 23 %" in written
    assert "working" not in written


def test_a_share_of_the_worker_time_stands_beside_all_of_it_not_beside_the_window():
    come_and_gone = WorkerTime(working=1_000_000_000, no_work=1_000_000_000)
    (finding,) = findings(come_and_gone, 3, 60.0)
    assert "1.0 worker-seconds, 50% of 2.0 in total (3 workers)" in finding.sentence


def test_less_than_a_worker_second_is_too_little_for_a_finding():
    assert findings(WorkerTime(no_work=900_000_000), 3, 60.0) == ()


def test_one_worker_is_not_advised_to_share_its_work_or_to_be_fewer():
    (finding,) = findings(WorkerTime(no_work=10_000_000_000), 1, 10.0)
    assert "Split" not in finding.advice
    assert "fewer workers" not in finding.advice


def stranded(*pairs):
    """Return two pools of one name in two processes, with time stranded between them."""
    (pool,) = reading().pools
    pools = tuple(replace(pool, name="kiln", number=n, pid=4711 + n) for n in (0, 1))
    return replace(reading(), pools=pools, stranded=pairs)


def test_pools_of_one_name_are_distinguished_where_time_was_stranded_between_them():
    written = text.explain(stranded(StrandedReading(0, 1, 2.5)))
    assert "kiln (process 4711) had no work while kiln (process 4712) had: 2.50" in written


def test_stranded_time_that_rounds_to_zero_is_not_reported():
    assert "had no work while" not in text.explain(stranded(StrandedReading(0, 1, 0.004)))


@pytest.mark.parametrize("program", ["-m idlehands", "/usr/bin/idlehands"])
def test_a_job_that_ran_with_its_probe_gets_no_advice_to_do_so(program):
    (advice,) = advice_lines(reading(program=program))
    assert advice != PROBE_ADVICE
    assert "watch it again once one has" in advice


def test_a_job_that_ran_without_a_probe_gets_the_advice_how_to():
    assert advice_lines(reading(program="job.py")) == [PROBE_ADVICE]


def test_where_nothing_separates_working_from_blocked_html_and_screen_say_time_in_tasks():
    (pool,) = reading().pools
    held = replace(reading(), pools=(replace(pool, core_time="assumed", kind="thread pool"),))
    page = html.render(held)
    assert "in tasks" in page
    assert "<td>working" not in page
    assert "working" not in [column.head for column in kinds.columns_of(held.pools[0], 100)]
