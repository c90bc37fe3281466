"""The short report for an issue: at most sixty lines, with all that somebody needs to begin."""

from __future__ import annotations

from dataclasses import replace

import pytest
from readings import HOSTILE, reading
from reports import READINGS, markdown_page, several, squeezed, stealing
from test_external import shown

from idlehands_monitor.model.source import SkippedReading
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.views import markdown, text
from idlehands_monitor.views.sections.brief import LONGEST, MOST_FINDINGS, MOST_POOLS, brief
from idlehands_monitor.views.sections.findings import gain_text
from idlehands_monitor.views.sections.places import place_phrase
from idlehands_monitor.views.sections.report import report

MOST_LINES = 60


def as_capture(held):
    source = replace(
        held.source, target="/home/ada/kiln jobs/bug.idlehands", state=StreamState.REPLAY
    )
    return replace(held, source=source)


def crowded(pools=40):
    """Return a job of many pools with many findings, warnings and long names."""
    base = stealing()
    (pool,) = base.pools
    name = f"{HOSTILE} {'kiln ' * 200}"
    finding = replace(pool.findings[0], sentence=name, advice=name, where=name)
    pool = replace(pool, name=name, kind=name, broken=name, findings=(finding,) * 30)
    skipped = tuple(SkippedReading(f"rows {n}", name, n) for n in range(1, 30))
    source = replace(base.source, warning=name, note=name, program=name, skipped=skipped)
    return replace(base, source=source, pools=tuple(replace(pool, number=n) for n in range(pools)))


@pytest.mark.parametrize("name", READINGS)
def test_no_short_report_has_more_than_sixty_lines(name):
    assert markdown.render(READINGS[name]()).count("\n") <= MOST_LINES


@pytest.mark.parametrize("pools", [1, 2, 40])
def test_a_job_of_many_pools_findings_and_long_names_stays_within_sixty_lines(pools):
    written = markdown.render(crowded(pools))
    assert written.count("\n") <= MOST_LINES
    assert max(map(len, written.splitlines())) < 4 * LONGEST
    assert "more warnings" in written
    assert "more findings" in written
    assert ("more pools" in written) == (pools > MOST_POOLS)


def test_it_begins_with_the_headline_its_gain_and_what_to_try():
    held = stealing()
    _, finding = held.headline
    lines = [line for line in markdown.render(held).splitlines() if line]
    assert lines[0] == "## idlehands: scripted"
    assert lines[1].startswith(f"**Headline: {finding.code}: ")
    assert lines[2] == f"- {markdown.escaped(place_phrase(finding))}"
    assert lines[3] == f"- {markdown.escaped(f'Try: {finding.advice}')}"
    assert lines[4] == f"- {markdown.escaped(gain_text(finding))}"


def test_it_has_the_time_split_of_one_pool_and_a_column_for_each_of_several():
    page = markdown_page(markdown.render(stealing()))
    assert {"working", "blocked", "run-queue wait", "starved", "no work"} <= set(page.cells)
    page = markdown_page(markdown.render(several()))
    assert page.cells[:3] == ["category", "kiln (process 4711)", "kiln (process 4712)"]
    assert "starved" in page.cells


def test_its_figures_are_those_of_the_whole_report():
    held = stealing()
    whole = squeezed(text.explain(held).replace("\n", " "))
    (split,) = (section for section in brief(held) if section.title.startswith("Pool "))
    for row in split.parts[1].rows:
        assert squeezed(" ".join(row)) in whole
    full = next(one for one in report(held) if one.title == "Where the worker time went")
    assert split.parts == full.parts[: len(split.parts)]


def test_it_says_which_versions_on_which_host_and_how_to_open_the_attached_capture():
    written = markdown.render(as_capture(stealing()))
    assert "Python 3.11.7" in written
    assert "1.5 of 2 cores usable (quota)" in written
    assert "read by idlehands 0" in written
    commands = "idlehands explain bug.idlehands\nidlehands watch bug.idlehands\n"
    assert f"\n```sh\n{commands}```\n" in written
    assert "/home/ada" not in written


def test_the_name_of_a_capture_is_quoted_for_the_shell():
    held = reading(target="/kiln/it's; rm -rf *.idlehands", state="replay")
    assert "\nidlehands explain 'it'\"'\"'s; rm -rf *.idlehands'\n" in markdown.render(held)


def test_a_running_process_has_no_capture_to_open_so_it_says_how_to_write_one():
    assert "\nidlehands capture scripted -o bug.idlehands --for 60s\n" in markdown.render(reading())


def test_an_external_process_says_that_it_is_sampled_in_its_short_report():
    assert "sampled, not recorded" in markdown.render(shown())


def test_more_findings_than_it_has_room_for_are_counted():
    held = stealing()
    (pool,) = held.pools
    many = replace(held, pools=(replace(pool, findings=pool.findings[:1] * 9),))
    (section,) = (section for section in brief(many) if section.title == "Findings")
    assert len(section.parts[0].rows) == MOST_FINDINGS
    assert section.lead == f"and {9 - MOST_FINDINGS} more findings"
