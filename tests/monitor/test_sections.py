"""A report says the same as text, as Markdown and as HTML, and the JSON has all of it."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import replace

import pytest
from reports import READINGS, Page, facts_of, markdown_page, several, squeezed, stealing

from idlehands_monitor.model.external import ExternalTime
from idlehands_monitor.model.shares import Estimate
from idlehands_monitor.model.worker_time import CATEGORIES, WorkerTime
from idlehands_monitor.views import html, markdown, text
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views.sections.facts import Matrix, Table
from idlehands_monitor.views.sections.report import report
from idlehands_monitor.views.sections.time_split import WorkerRow, split_parts, workers_section
from idlehands_monitor.views.terminal.header import legend_rows
from idlehands_monitor.views.terminal.strips import bar_runs

VIEWS = {
    "text": lambda reading: " ".join(text.explain(reading).split()),
    "markdown": lambda reading: markdown_page(markdown.render(reading)).text,
    "html": lambda reading: Page(html.render(reading)).text,
}


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("name", READINGS)
def test_every_title_sentence_and_cell_of_a_report_is_in_every_view_in_order(name, view):
    reading = READINGS[name]()
    written, place = VIEWS[view](reading), 0
    for fact in facts_of(report(reading)):
        found = written.find(squeezed(fact), place)
        assert found >= 0, f"{fact!r} is missing or stands too early"
        place = found + len(squeezed(fact))


@pytest.mark.parametrize("name", READINGS)
def test_markdown_and_html_have_a_cell_for_each_of_the_report_and_no_other(name):
    reading = READINGS[name]()
    expected = Counter()
    for section in report(reading):
        for part in section.parts:
            if isinstance(part, Table):
                expected.update(squeezed(column.name) for column in part.columns)
                expected.update(squeezed(cell) for row in part.rows for cell in row)
            elif isinstance(part, Matrix):
                expected.update(map(squeezed, (*part.columns, *part.rows)))
                expected.update(squeezed(cell) for row in part.cells for cell in row)
    del expected[""]
    for page in (markdown_page(markdown.render(reading)), Page(html.render(reading))):
        cells = [squeezed(cell) for cell in page.cells]
        bar = re.compile("[█▓▒░╱▴╳·─┄]+")
        found = Counter(cell for cell in cells if cell == "·" or not bar.fullmatch(cell))
        del found[""]
        spare = found - expected
        assert not expected - found
        assert not [cell for cell in spare if cell != "·"], "a bar of one cell reads as a dot"


def test_a_full_reading_fills_every_section():
    titles = [section.title for section in report(stealing())]
    assert titles == [
        "scripted",
        "Frames and rows left out",
        "Marks",
        "Host",
        "Pool scripted",
        "Where the worker time went",
        "What blocked time waited for",
        "Findings",
        "Tasks",
        "Queueing",
        "Parking",
        "Steals",
        "Thieves and victims",
        "Deques",
        "Work and span",
        "What the scheduler promises",
        "Workers",
        "What these figures leave out",
    ]
    titles = [section.title for section in report(several())]
    assert {"The job", "Stranded"} <= set(titles)


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_reports_what_was_lost_and_misused(view):
    written = VIEWS[view](stealing())
    for words in (
        "left out, rows: 12 (a time before the pool began)",
        "7 rows lost; these figures leave out 1.5 s of the window.",
        "The pool used its probe wrongly 2 times; these figures may be wrong.",
        "Warning: the last block is incomplete",
        "Evidence: 40 wakes in 10 s",
        "Gain: about 1.2 worker-seconds",
    ):
        assert words in written


@pytest.mark.parametrize("name", READINGS)
def test_the_json_has_all_that_a_report_is_made_of(name):
    reading = READINGS[name]()
    document = json.loads(json_view.render(reading))
    assert [one["count"] for one in document["source"]["skipped"]] == [
        one.count for one in reading.source.skipped
    ]
    assert len(document["stranded"]) == len(reading.stranded)
    assert len(document["host"]) == len(reading.host)
    for pool, held in zip(document["pools"], reading.pools, strict=True):
        assert pool["name"] == held.name
        assert [one["code"] for one in pool["findings"]] == [one.code for one in held.findings]
        assert [one["code"] for one in pool["promises"]] == [one.code for one in held.promises]
        lost = (pool["lost_rows"], pool["misuses"], pool["unrecorded_s"])
        assert lost == (held.lost_rows, held.misuses, held.unrecorded_s)
    for pool, held in zip(document["sampled"], reading.external, strict=True):
        assert (pool["name"], pool["missing"]) == (held.name, held.missing)


# -- shares of time: recorded and external alike -------------------------------------------------

RECORDED = WorkerTime(working=4 * 10**9, blocked=10**9, no_work=5 * 10**9)
EXTERNAL = ExternalTime(
    10.0, 0.25, 0.05, Estimate(0.3, 0.1, 0.5), Estimate(0.4, 0.2, 0.6), 9, (), 0
)


@pytest.mark.parametrize("time", [RECORDED, EXTERNAL, replace(EXTERNAL, parked=None)])
def test_shares_add_up_to_all_worker_time_whatever_they_were_measured_with(time):
    assert sum(share.value for share in time.shares) == pytest.approx(1.0)
    assert time.worker_seconds == pytest.approx(10.0)


def test_a_recorded_pool_has_all_categories_and_an_external_one_those_that_samples_show():
    assert [share.category for share in RECORDED.shares] == list(CATEGORIES)
    assert [share.category for share in EXTERNAL.shares] == [
        "working",
        "blocked",
        "run_queue_wait",
        "parked",
    ]
    assert replace(EXTERNAL, seconds=0.0).shares == ()


@pytest.mark.parametrize("time", [RECORDED, EXTERNAL])
def test_one_code_draws_the_bar_the_legend_and_the_table_of_both(time):
    assert sum(len(glyphs) for glyphs, _ in bar_runs(time, 40)) == 40
    rows = ["".join(run for run, _ in row) for row in legend_rows(time, 100)]
    _, table = split_parts(time)
    for (name, spent, _), share in zip(table.rows, time.shares, strict=True):
        assert any(name in row for row in rows)
        assert spent == f"{share.value * 10:.2f} s"


def test_a_workers_idle_categories_stand_in_one_column_and_unknown_ones_are_a_dash():
    rows = (
        WorkerRow(0, "a", RECORDED, ("7",)),
        WorkerRow(1, "b", replace(EXTERNAL, seconds=0.0), ("0",)),
    )
    (table,) = workers_section(rows, ()).parts
    heads = [column.name for column in table.columns]
    assert heads[2:] == ["working", "blocked", "run-queue wait", "dispatch", "idle"]
    assert table.rows[0][2:7] == ("40 %", "10 %", "0 %", "0 %", "50 %")
    assert table.rows[1][2:7] == ("–",) * 5
