"""What a change would gain, as text, Markdown, HTML and JSON, and the curve as it is drawn."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import HOSTILE
from reports import Page, facts_of, markdown_page, squeezed
from rich.cells import cell_len
from whatifs import answer, batch, curve, open_pool, refused, what_if

from idlehands_monitor.model.changes import HandOver, KindTime, Workers
from idlehands_monitor.model.whatif import (
    Arrivals,
    CurvePoint,
    CurveReading,
    SizingReading,
    Unit,
)
from idlehands_monitor.views import html, markdown, text, whatif_json
from idlehands_monitor.views.curve import Ink, axes_of, bounds_of
from idlehands_monitor.views.curve_text import GLYPHS, curve_rows, curve_text
from idlehands_monitor.views.quantities import gain, interval, quantity, tick
from idlehands_monitor.views.sections.facts import Table
from idlehands_monitor.views.sections.sizing import sizing
from idlehands_monitor.views.sections.whatif import answers, headline, pool_sections, whatif
from idlehands_monitor.views.sections.whatif import curve as curve_section
from idlehands_monitor.views.svg.curve import curve_svg

HOSTILE_POOL = batch(
    name=HOSTILE,
    kind=HOSTILE,
    notes=(HOSTILE,),
    answers=(answer((KindTime(HOSTILE, 0.5),), 5.0, 0.5, (HOSTILE,)),),
)
READINGS = {
    "answers": what_if(),
    "stopped": what_if(whole=False),
    "hostile": what_if(HOSTILE_POOL),
    "no pool": replace(what_if(), pools=()),
}


def page_as_text(reading):
    return text.page(whatif(reading))


def page_as_markdown(reading):
    return markdown_page(markdown.page(whatif(reading))).text


def page_as_html(reading):
    return Page(html.page("scripted", whatif(reading))).text


PAGES = [page_as_text, page_as_markdown, page_as_html]


def titles(pool):
    return [section.title for section in pool_sections(pool)]


# -- the sections, in every renderer ---------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("name", READINGS)
def test_every_title_sentence_and_cell_is_in_every_view_in_order(name, page):
    written, place = " ".join(page(READINGS[name]).split()), 0
    for fact in facts_of(whatif(READINGS[name])):
        found = written.find(squeezed(fact), place)
        assert found >= 0, f"{fact!r} is missing or stands too early"
        place = found + len(squeezed(fact))


@pytest.mark.parametrize("page", PAGES)
def test_a_pool_says_how_work_comes_and_what_the_simulation_of_the_run_as_it_was_comes_to(page):
    written = page(what_if())
    assert "batch: all tasks are there at first, or come batch after batch" in written
    assert "open: tasks come at their own pace, however fast the pool is" in written
    assert "recorded: 11.2 s; simulated as it was: 10.9 s; error 2.7 %" in written


def test_a_closed_pool_is_told_in_tasks_a_second():
    pool = batch(
        arrivals=Arrivals.CLOSED,
        recorded=4120.0,
        reproduced=4200.0,
        answers=(answer((Workers(8),), 5100.0, 0.214),),
    )
    lines = text.page(pool_sections(pool))
    assert "closed: a fixed number of tasks is in flight" in lines
    assert "recorded: 4,120 tasks/s; simulated as it was: 4,200 tasks/s" in lines
    assert "This comes to 5,100 tasks/s (4,998–5,202), which is 21 % more tasks a second." in lines


def test_the_answers_are_a_table_of_change_value_gain_and_assumptions_each_assumption_once():
    section = answers(batch())
    table = section.parts[0]
    assert [column.name for column in table.columns] == [
        "what to change",
        "comes to",
        "gain",
        "assumes",
    ]
    assert table.rows[0] == ("use 8 workers", "5.80 s (5.68–5.92)", "+47 % ± 2", "[1][2][3]")
    assert table.rows[4][3] == "–"
    assert [sentence.text[:3] for sentence in section.sentences[1:]] == ["[1]", "[2]", "[3]"]


def test_answers_are_called_best_first_only_where_they_are():
    asked = tuple(answer((Workers(n),), 10 / n, g) for n, g in ((1, -1.0), (2, 0.0), (4, 0.5)))
    assert answers(batch()).lead == "best first, 95 % intervals, 32 simulated runs"
    assert answers(batch(answers=asked)).lead == "95 % intervals, 32 simulated runs"


def test_the_headline_is_the_change_that_gains_most_wherever_it_stands():
    asked = (answer((Workers(2),), 9.0, 0.1), answer((Workers(4),), 5.0, 0.5))
    assert headline(batch(answers=asked)).startswith("Best: use 4 workers. This comes to 5.00 s")


def test_the_headline_names_the_fewest_workers_that_come_near_the_best():
    asked = tuple(answer((Workers(n),), t, g) for n, t, g in ((8, 5.6, 0.485), (16, 5.55, 0.49)))
    assert headline(batch(answers=asked)).startswith("Best: use 8 workers. This comes to 5.60 s")


def test_a_gain_whose_interval_reaches_below_0_is_said_to_be_unsure():
    unsure = replace(answer((Workers(4),), 5.0, 0.06), gain_low=-0.02)
    sentence = "The interval of the gain reaches down to no gain."
    assert sentence in headline(batch(answers=(unsure,)))
    assert sentence not in headline(batch())


def test_where_nothing_gains_above_5_per_cent_the_page_says_so_and_names_the_most():
    small = (answer((Workers(8),), 10.5, 0.05), answer((Workers(2),), 14.0, -0.3))
    assert headline(batch(answers=small)) == (
        "No change that was tried gains more than 5 %. The most is +5 % ± 2: use 8 workers."
    )


def test_one_change_that_gains_nothing_is_told_as_one():
    worse = (answer((Workers(2),), 14.0, -0.3),)
    assert headline(batch(answers=worse)) == (
        "The change that was tried does not gain more than 5 %."
    )


def test_a_refused_pool_says_why_and_shows_no_answers():
    written = text.page(pool_sections(refused()))
    assert "No answers: the simulation of the run as it was is 34 % off" in written
    assert titles(refused()) == ["Pool loom", "What is assumed of the run"]


@pytest.mark.parametrize("page", PAGES)
def test_answers_that_were_stopped_say_so(page):
    sentence = "Stopped before all simulated runs were made"
    assert sentence in page(what_if(whole=False))
    assert sentence not in page(what_if())


def test_a_curve_that_the_answers_already_list_is_drawn_and_not_listed_again():
    numbers = (1, 2, 4, 8, 16, 32)
    asked = tuple(answer((Workers(n),), 10.0, 0.0) for n in numbers)
    for held, tables in ((batch(answers=asked), 0), (batch(), 1)):
        section = next(s for s in pool_sections(held) if s.title == "Over numbers of workers")
        assert sum(isinstance(part, Table) for part in section.parts) == tables


def test_a_curve_of_one_point_is_left_out():
    assert "Over numbers of workers" not in titles(batch(curve=curve(numbers=(4,))))


def test_a_best_value_at_the_end_of_the_curve_is_said_to_be_the_last_that_was_tried():
    at_end, within = (
        next(s for s in pool_sections(batch(curve=held)) if s.title == "Over numbers of workers")
        for held in (curve(numbers=(1, 2, 4, 8)), curve())
    )
    assert "best simulated value: 8, the most that were tried; " in at_end.lead
    assert (
        "best simulated value: 8; without waits for each other tasks need T1 40.0 s and Tinf 4.40 s"
        in within.lead
    )


def test_the_table_of_the_curve_has_the_bounds_and_marks_the_present_and_the_best():
    section = next(s for s in pool_sections(batch()) if s.title == "Over numbers of workers")
    rows = {row[0]: row[2:] for row in section.parts[1].rows}
    # 40 s / 4 and (40 - 4.4) s / 4 + 4.4 s
    assert rows["4"] == ("10.0 s", "13.3 s", "now")
    assert rows["8"][2] == "best"


def test_the_curve_names_the_law_that_it_is_nearest_to_where_there_is_one():
    written = "\n".join(text.section_lines(curve_section(batch())))
    assert "contention 0.061, coherence 0.00028, peak at 58 workers" in written
    without = replace(batch().curve, law=replace(batch().curve.law, peak=None))
    written = "\n".join(text.section_lines(curve_section(batch(curve=without))))
    assert "coherence 0.00028, no peak" in written
    assert "law" not in "\n".join(text.section_lines(curve_section(open_pool())))


def test_sizing_tells_the_workers_needed_the_waits_and_when_a_backlog_hurts():
    section = sizing(open_pool())
    lines = text.section_lines(section)
    assert "with fewer than 4 workers the queue grows without end" in lines[0]
    assert lines[1].endswith("reach a 95th percentile of 50 ms from hand-in to end: 9")
    assert "the queue grows by 1.75 tasks a second; in 1 min 35 s that backlog" in lines[2]
    assert [row[1] for row in section.parts[2].rows] == ["3.1 s", "3.4 s", "2.9 s", "–"]


def test_sizing_says_where_the_cores_cannot_carry_the_tasks():
    held = SizingReading(0.97, 0.1, 0.1, None, None, None)
    (lead, *_) = text.section_lines(sizing(open_pool(sizing=held)))
    assert "interpreter lock cannot carry the tasks, whatever the number of workers" in lead


def test_sizing_says_where_no_number_of_workers_reaches_what_is_wanted():
    held = SizingReading(0.5, 0.1, 0.1, 0.1, 0.1, 2, wanted_p95_s=0.05)
    written = "\n".join(text.section_lines(sizing(open_pool(sizing=held))))
    assert "No number of workers that was tried reaches a 95th percentile of 50 ms" in written
    assert "grows by" not in written


def test_a_change_that_is_too_long_for_its_column_has_a_line_of_its_own():
    change = HandOver(0.5)
    held = batch(answers=(answer((change,), 10.7, 0.018), answer((Workers(8),), 5.0, 0.5)))
    rows = text.table_rows(answers(held).parts[0])
    assert [len(lines) for lines in rows] == [1, 2, 1]
    assert rows[1][0] == change.sentence
    assert rows[1][1].startswith(" " * 10)
    assert rows[2][0].startswith("use 8 workers  ")


@pytest.mark.parametrize("pool", [batch(), open_pool(), refused()])
def test_plain_tables_and_curves_fit_in_80_cells_where_names_are_short(pool):
    for section in pool_sections(pool):
        lines = [
            line
            for part in section.parts
            if not hasattr(part, "tone")
            for line in text.section_lines(replace(section, parts=(part,)))[1:]
        ]
        assert max(map(cell_len, lines), default=0) <= 80


# -- foreign text ----------------------------------------------------------------------------------


def test_names_of_the_target_change_nothing_in_any_view():
    reading = what_if(HOSTILE_POOL)
    page = Page(html.page("scripted", whatif(reading)))
    assert "b" not in page.tags
    assert "\x1b" not in page_as_text(reading) + page_as_markdown(reading) + page.text
    assert json.loads(whatif_json.render(reading))["pools"][0]["name"] == HOSTILE
    assert "\x1b" not in whatif_json.render(reading)


# -- JSON ------------------------------------------------------------------------------------------


def test_the_json_has_the_shape_of_schema_1_exactly():
    held = batch(
        answers=(answer((Workers(8),), 5.0, 0.5, ("as fast",)),),
        curve=CurveReading((CurvePoint(8, 4.9, 5.0, 5.1),), 4, 8, 40.0, 4.0),
        sizing=SizingReading(0.5, 0.1, 0.2, None, 0.3, 2),
        notes=("one lock",),
    )
    document = json.loads(whatif_json.render(what_if(held)))
    source = document.pop("source")
    assert (source["target"], source["state"], source["pid"]) == ("scripted", "replay", 4711)
    assert document == {
        "schema": 1,
        "window": None,
        "whole": True,
        "pools": [
            {
                "name": "kiln",
                "kind": "work stealing",
                "workers": 4,
                "arrivals": "batch",
                "unit": "seconds",
                "tasks": 100_000,
                "all_tasks": 131_072,
                "recorded": 11.2,
                "reproduced": 10.9,
                "refused": "",
                "answers": [
                    {
                        "change": {"workers": 8},
                        "sentence": "use 8 workers",
                        "low": 4.9,
                        "median": 5.0,
                        "high": 5.1,
                        "gain": 0.5,
                        "gain_low": 0.48,
                        "gain_high": 0.52,
                        "assumes": ["as fast"],
                        "seeds": 32,
                    }
                ],
                "curve": {
                    "points": [
                        {
                            "workers": 8,
                            "low": 4.9,
                            "median": 5.0,
                            "high": 5.1,
                            "work_law_s": 5.0,
                            "greedy_bound_s": 8.5,
                        }
                    ],
                    "present": 4,
                    "best": 8,
                    "work_s": 40.0,
                    "span_s": 4.0,
                    "law": None,
                },
                "sizing": {
                    "utilisation": 0.5,
                    "wait_s": 0.1,
                    "simulated_wait_s": 0.2,
                    "mmc_wait_s": None,
                    "allen_cunneen_wait_s": 0.3,
                    "least_workers": 2,
                    "wanted_p95_s": None,
                    "workers": None,
                    "growth_per_s": 0.0,
                    "backlog_hurts_in_s": None,
                },
                "notes": ["one lock"],
            }
        ],
    }


@pytest.mark.parametrize(
    ("arrivals", "unit"), [("batch", "seconds"), ("closed", "tasks_per_s"), ("open", "p95_s")]
)
def test_the_json_names_the_unit_of_each_way_in_which_work_comes(arrivals, unit):
    (pool,) = whatif_json.document(what_if(batch(arrivals=Arrivals(arrivals))))["pools"]
    assert (pool["arrivals"], pool["unit"]) == (arrivals, unit)


def test_values_without_end_are_null_in_the_json():
    held = replace(answer((Workers(1),), math.inf, -math.inf), gain_low=math.nan)
    (pool,) = json.loads(whatif_json.render(what_if(batch(answers=(held,)))))["pools"]
    (found,) = pool["answers"]
    assert [found[key] for key in ("low", "median", "high", "gain", "gain_low")] == [None] * 5


def test_two_changes_of_one_sort_keep_both_values_in_the_json():
    both = answer((KindTime("mould", 0.5), KindTime("fire", 0.8)), 5.0, 0.5)
    (pool,) = whatif_json.document(what_if(batch(answers=(both,))))["pools"]
    assert pool["answers"][0]["change"] == {"kind": ["mould", "fire"], "time": [0.5, 0.8]}


def test_a_refused_pool_has_its_reason_and_no_answers_in_the_json():
    (pool,) = whatif_json.document(what_if(refused()))["pools"]
    assert pool["refused"].startswith("the simulation of the run as it was is 34 % off")
    assert (pool["answers"], pool["curve"], pool["sizing"]) == ([], None, None)


# -- quantities ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "written"),
    [
        (0.0, Unit.SECONDS, "0 µs"),
        (2.5e-6, Unit.P95_S, "2.50 µs"),
        (0.0124, Unit.P95_S, "12.4 ms"),
        (12.44, Unit.SECONDS, "12.4 s"),
        (600.0, Unit.SECONDS, "10.0 min"),
        (9000.0, Unit.SECONDS, "2.50 h"),
        (41_234.5, Unit.TASKS_PER_S, "41,234 tasks/s"),
        (0.25, Unit.TASKS_PER_S, "0.250 tasks/s"),
        (math.inf, Unit.P95_S, "no end"),
    ],
)
def test_a_value_is_written_with_three_digits_and_its_unit(value, unit, written):
    assert quantity(value, unit) == written


def test_an_interval_has_the_unit_and_the_decimals_of_its_value():
    assert interval(0.99, 1.0, 1.2, Unit.SECONDS) == "1.00 s (0.99–1.20)"
    assert interval(9.994, 9.995, math.inf, Unit.SECONDS) == "9.99 s (9.99–no end)"
    assert interval(2.0, 2.0, 2.0, Unit.SECONDS) == "2.00 s"


@pytest.mark.parametrize(
    ("values", "written"),
    [
        ((0.32, 0.34, 0.36), "+34 % ± 2"),
        ((-0.06, -0.03, 0.0), "−3 % ± 3"),
        ((-0.06, 0.03, 0.36), "+3 % (−6 to +36)"),
        ((0.0, 0.001, 0.002), "0 %"),
        ((-math.inf, -3.0, -2.0), "−300 %"),
        ((-53.0, -45.36, -32.0), "−4,536 % (−5,300 to −3,200)"),
        ((math.nan, -math.inf, math.nan), "–"),
    ],
)
def test_a_gain_has_its_sign_and_its_interval(values, written):
    assert gain(*values) == written


def test_values_on_an_axis_are_round():
    assert [tick(value, Unit.SECONDS) for value in (5e-7, 0.002, 0.5, 200.0, 5000.0)] == [
        "0.5 µs",
        "2 ms",
        "500 ms",
        "200 s",
        "5,000 s",
    ]
    assert tick(2000.0, Unit.TASKS_PER_S) == "2,000"


# -- the curve, drawn ------------------------------------------------------------------------------


def glyph_places(lines, glyph):
    """Return (line, column) of a glyph in the plot, which ends at the axis."""
    plot = lines[1 : next(y for y, line in enumerate(lines) if "└" in line)]
    return [
        (y, x)
        for y, line in enumerate(plot)
        for x, letter in enumerate(line)
        if letter == glyph and x > re.search("[┤│]", line).start()
    ]


def test_the_curve_marks_the_present_and_the_best_point_above_their_numbers():
    lines = curve_text(curve(), Unit.SECONDS, 78, 18)
    axis = next(y for y, line in enumerate(lines) if "└" in line)
    for glyph, number in (("N", "4"), ("B", "8")):
        ((_, column),) = glyph_places(lines, glyph)
        assert abs(lines[axis + 1].index(number) - column) <= 1


def test_one_letter_marks_a_present_point_that_is_the_best():
    lines = curve_text(curve(present=8), Unit.SECONDS, 78, 18)
    assert len(glyph_places(lines, "N")) == 1
    assert not glyph_places(lines, "B")
    assert "N now and best: 8 workers, 5.64 s" in lines


def test_every_glyph_of_the_curve_is_explained_below_it():
    rows = curve_rows(curve(), Unit.SECONDS, 78, 18)
    drawn = {ink for row in rows[:15] for text, ink in row if text.strip()} - {Ink.AXIS}
    key = {row[0][1]: row[0][0] for row in rows if len(row) == 2 and row[0][0] in GLYPHS.values()}
    assert drawn == set(key)
    assert all(key[ink] == GLYPHS[ink] for ink in drawn)
    assert len(set(GLYPHS.values())) == len(GLYPHS)


def test_the_bounds_are_drawn_where_they_are_and_none_for_work_that_keeps_coming_in():
    lines = curve_text(curve(), Unit.SECONDS, 78, 18)
    (row,) = {y for y, _ in glyph_places(lines, "-")}
    assert row > max(y for y, _ in glyph_places(lines, "B"))  # Tinf is below every prediction
    assert min(y for y, _ in glyph_places(lines, "~")) <= glyph_places(lines, "N")[0][0]
    fed = curve_text(open_pool().curve, Unit.P95_S, 78, 18)
    assert not any(glyph_places(fed, glyph) for glyph in "/-~")
    assert not any(line.startswith(("/", "- ", "~")) for line in fed)


def test_a_curve_that_hardly_changes_looks_flat():
    points = tuple(CurvePoint(n, v, v, v) for n, v in ((1, 10.1), (2, 9.9), (4, 9.8), (8, 10.0)))
    lines = curve_text(CurveReading(points, 1, 4), Unit.SECONDS, 78, 18)
    assert len({y for glyph in "●NB" for y, _ in glyph_places(lines, glyph)}) <= 2


def test_values_without_end_have_no_point_and_do_not_stretch_the_axis():
    points = (
        CurvePoint(1, math.inf, math.inf, math.inf),
        CurvePoint(2, 1.0, 2.0, math.inf),
        CurvePoint(4, 0.8, 1.0, 1.2),
        CurvePoint(8, 0.0, 0.0, 0.0),
    )
    axes = axes_of(CurveReading(points, 1, 4))
    assert (axes.least, axes.most, axes.low, axes.high) == (2, 4, 0.5, 5.0)
    assert curve_text(CurveReading(points, 1, 4), Unit.P95_S, 78, 18)


def test_no_curve_is_drawn_of_one_point_or_in_too_little_room():
    assert curve_text(curve(numbers=(4,)), Unit.SECONDS, 78, 18) == []
    assert curve_text(curve(), Unit.SECONDS, 20, 18) == []
    assert curve_text(curve(), Unit.SECONDS, 78, 8) == []


MADE = st.lists(
    st.tuples(st.integers(1, 512), st.floats(1e-7, 1e7), st.floats(1.0, 50.0)),
    min_size=2,
    max_size=40,
    unique_by=lambda one: one[0],
)


@given(MADE, st.integers(50, 160), st.integers(9, 40), st.sampled_from(list(Unit)))
def test_any_curve_stays_in_its_room_and_shows_every_mark(made, cells, lines, unit):
    points = tuple(CurvePoint(n, v / w, v, v * w) for n, v, w in sorted(made))
    held = CurveReading(points, points[0].workers, points[-1].workers, made[0][1], made[1][1] / 9)
    rows = curve_text(held, unit, cells, lines)
    plot = rows[:lines]
    assert max(map(cell_len, plot)) <= cells
    assert [len(glyph_places(rows, glyph)) for glyph in "NB"] == [1, 1]


@given(MADE, st.sampled_from(list(Unit)))
def test_any_curve_as_svg_stays_within_its_picture(made, unit):
    points = tuple(CurvePoint(n, v / w, v, v * w) for n, v, w in sorted(made))
    held = CurveReading(points, points[0].workers, points[-1].workers, made[0][1], made[1][1] / 9)
    picture = curve_svg(held, unit, "kiln")
    assert "nan" not in picture
    assert "inf " not in picture.replace("Tinf ", "")
    for path in re.findall(r' d="M([\d. L]+)Z?"', picture):
        for place in path.split("L"):
            x, y = map(float, place.split())
            assert 0 <= x <= 680
            assert 0 <= y <= 380


def test_the_svg_has_a_title_a_description_and_units_and_runs_nothing():
    picture = curve_svg(curve(), Unit.SECONDS, f"kiln {HOSTILE}")
    assert 'role="img"' in picture
    assert (
        "<title>kiln ev\N{REPLACEMENT CHARACTER}[31mil [bold]x[/] &lt;b&gt;&amp;</title>" in picture
    )
    assert "now: 4 workers, 10.8 s" in re.search("<desc>(.*)</desc>", picture)[1]
    for words in (">time to the end<", ">50 s<", ">now: 4<", ">best: 8<", ">workers (both axes"):
        assert words in picture
    assert not re.search(r"<script|<style|href|url\(|\bon\w+=", picture)


def test_the_svg_has_a_dashed_line_for_each_bound_and_a_band_for_the_interval():
    picture = curve_svg(curve(), Unit.SECONDS, "kiln")
    dashes = re.findall(r'stroke-dasharray="([^"]+)"', picture)
    assert len(set(dashes)) == len(bounds_of(curve(), axes_of(curve()))) == 3
    assert len(re.findall(r'Z" fill="[^"]+" fill-opacity', picture)) == 1
    assert "dasharray" not in curve_svg(open_pool().curve, Unit.P95_S, "ferry")


def test_the_page_draws_the_curve_and_still_fetches_and_runs_nothing():
    page = Page(html.page("scripted", whatif(what_if())))
    assert [one for name, one in page.attributes if name == "class"].count("curve") == 2
    assert not {"script", "link", "img", "iframe"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name == "src"]
    assert not [one for name, one in page.attributes if name == "href" and one[0] != "#"]
