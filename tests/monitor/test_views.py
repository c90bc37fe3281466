"""Views: cells, numbers, colours, text, JSON and HTML, all from a reading."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import HOSTILE, reading
from rich.cells import cell_len

from idlehands_monitor.analysis.verdicts.findings import findings
from idlehands_monitor.model.worker_time import CATEGORIES, WorkerTime
from idlehands_monitor.views import html, line, markdown, text
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views.foreign_text import clean
from idlehands_monitor.views.formatting import count, seconds, share
from idlehands_monitor.views.palette import (
    CATEGORY_STYLES,
    CIVIDIS,
    DENSITY,
    contrast,
    luminance,
    step,
    text_on,
)
from idlehands_monitor.views.sections.pool import detail_sentence
from idlehands_monitor.views.terminal.drawing import (
    category_cells,
    cell_number,
    column_cells,
    fit,
    spark,
    split_cells,
)

colours = st.builds("#{:06X}".format, st.integers(0, 0xFFFFFF))


# -- colour ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#000000", "#FFFFFF", 21.0000),
        ("#767676", "#FFFFFF", 4.5422),
        ("#777777", "#FFFFFF", 4.4781),
        ("#949494", "#FFFFFF", 3.0335),
        ("#959595", "#FFFFFF", 2.9953),
        ("#595959", "#FFFFFF", 7.0047),
        ("#FF0000", "#FFFFFF", 3.9985),
        ("#00FF00", "#FFFFFF", 1.3722),
        ("#0000FF", "#FFFFFF", 8.5925),
        ("#0000FF", "#FF0000", 2.1489),
        ("#0000FF", "#000000", 2.4440),
        ("#FF0000", "#000000", 5.2520),
    ],
)
def test_contrast_ratios_are_those_of_wcag(one, other, ratio):
    # WCAG 2.x, relative luminance and contrast ratio as defined there; 4.54, 8.59 and 2.15 are
    # published examples, the others computed from the definition.
    assert contrast(one, other) == pytest.approx(ratio, abs=5e-5)


@given(colours)
def test_text_on_any_colour_reaches_aa(colour):
    # The ratios to black and to white multiply to 21, so the better is at least √21 = 4.58.
    assert contrast(colour, text_on(colour)) >= 4.5


@pytest.mark.parametrize(
    ("level", "colour", "ink", "ratio"),
    [
        (0, "#00224E", "#FFFFFF", 15.69),
        (1, "#1A386F", "#FFFFFF", 11.42),
        (2, "#434E6C", "#FFFFFF", 8.25),
        (3, "#61656F", "#FFFFFF", 5.83),
        (4, "#7D7C78", "#000000", 5.03),
        (5, "#9A9376", "#000000", 6.81),
        (6, "#BBAD6D", "#000000", 9.31),
        (7, "#DDC858", "#000000", 12.48),
        (8, "#FEE838", "#000000", 16.81),
    ],
)
def test_matrix_steps_are_cividis_with_readable_text(level, colour, ink, ratio):
    # Nuñez, Anderton, Renslow (2018), PLoS ONE 13(7):e0199239: entries 0, 32, 64, …, 255 of the
    # published 256-entry table, to 8 bits; contrasts computed from WCAG 2.x.
    assert CIVIDIS[level] == colour
    assert text_on(colour) == ink
    assert contrast(colour, ink) == pytest.approx(ratio, abs=0.005)


def test_matrix_steps_grow_strictly_lighter():
    lights = [luminance(colour) for colour in CIVIDIS]
    assert lights == sorted(set(lights))


def test_categories_stand_out_from_a_dark_ground():
    # WCAG 2.x success criterion 1.4.11: 3 : 1 for graphics.
    for style in CATEGORY_STYLES.values():
        assert contrast(style.colour, "#121212") >= 3.0


def test_every_category_has_a_glyph_and_a_colour_of_its_own():
    assert list(CATEGORY_STYLES) == list(CATEGORIES)
    assert len({style.glyph for style in CATEGORY_STYLES.values()}) == 8
    assert len({style.colour for style in CATEGORY_STYLES.values()}) == 8


def test_matrix_steps_have_a_glyph_each_and_only_zero_is_blank():
    assert len(DENSITY) == len(CIVIDIS) == len(set(DENSITY))
    assert [level for level, glyph in enumerate(DENSITY) if glyph == " "] == [0]


@given(st.integers(0, 10**6), st.integers(1, 10**6))
def test_the_step_is_zero_only_for_zero_and_never_falls_as_counts_rise(value, largest):
    value = min(value, largest)
    assert (step(value, largest) == 0) == (value == 0)
    assert step(max(0, value - 1), largest) <= step(value, largest) <= 8
    assert step(largest, largest) == 8


# -- cells -------------------------------------------------------------------------------------


@given(st.lists(st.integers(0, 10**12), min_size=1, max_size=8), st.integers(0, 300))
def test_cells_add_up_and_no_value_is_off_by_a_whole_cell(values, cells):
    shares = split_cells(values, cells)
    if sum(values) == 0:
        assert shares == [0] * len(values)
        return
    assert sum(shares) == cells
    for value, cell in zip(values, shares, strict=True):
        assert abs(cell - value * cells / sum(values)) < 1


def test_a_bar_keeps_the_order_of_the_categories_and_leaves_out_those_too_small():
    time = WorkerTime(working=50, starved=30, no_work=20)
    assert category_cells(time, 10) == [("working", 5), ("starved", 3), ("no_work", 2)]
    assert column_cells(time, 4) == ["working", "working", "starved", "no_work"]


def test_a_spark_is_right_aligned_and_shows_any_idleness():
    assert spark([0.0, 1.0, 0.5, 0.01], 6) == "   █▄▁"
    assert spark([1.0] * 9, 3) == "███"
    assert spark([math.nan, 1.0], 2) == " █"
    assert spark([], 3) == "   "


def test_text_is_cut_or_padded_to_its_cells():
    assert (fit("abc", 5), fit("abcdef", 4), fit("abc", 0)) == ("abc  ", "abc…", "")


@pytest.mark.parametrize("cells", range(8))
def test_wide_letters_count_as_two_cells(cells):
    assert cell_len(fit("潮位観測", cells)) == cells


@pytest.mark.parametrize(
    ("value", "cells", "shown"),
    [
        (0, 3, "   "),
        (7, 2, "7 "),
        (42, 3, "42 "),
        (123, 3, "   "),
        (1234, 4, "1k"),
        (2_500_000, 4, "2M"),
    ],
)
def test_a_count_is_shortened_to_its_cell_or_left_out(value, cells, shown):
    assert cell_number(value, cells).strip() == shown.strip()
    assert len(cell_number(value, cells)) == cells


# -- text -------------------------------------------------------------------------------------


def test_foreign_text_loses_whatever_a_terminal_obeys():
    assert clean("a\x1b[31mb\nc\x07\u202e\u2028") == "a\ufffd[31mb\ufffdc\ufffd\ufffd\ufffd"
    assert clean("x" * 300) == "x" * 199 + "…"
    assert clean("Übergröße 42") == "Übergröße 42"


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "0 µs"),
        (3e-9, "<0.1 µs"),
        (4e-7, "0.4 µs"),
        (0.0000123, "12 µs"),
        (0.0034, "3.4 ms"),
        (0.12, "120 ms"),
        (3.14, "3.1 s"),
        (245, "4 min 5 s"),
        (7380, "2 h 3 min"),
    ],
)
def test_durations_have_the_unit_that_reads_best(value, words):
    assert seconds(value) == words


def test_counts_and_shares_are_short():
    assert [count(n) for n in (950, 12_345, 4_100_000)] == ["950", "12.3k", "4.1M"]
    assert [share(x) for x in (0.0, 0.001, 0.256, 1.0)] == ["0 %", "<1 %", "26 %", "100 %"]


# -- findings ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("category", "code"),
    [
        ("starved", "starved-beside-work"),
        ("no_work", "too-little-parallelism"),
        ("searching", "long-searches"),
        ("blocked", "blocked-in-task"),
    ],
)
def test_the_costliest_cause_is_the_headline(category, code):
    time = WorkerTime(
        **{
            **dict.fromkeys(("starved", "no_work", "searching", "blocked"), 10**9),
            category: 2 * 10**9,
        }
    )
    found = findings(time, 5, 1.0)
    assert len(found) == 4
    assert found[0].code == code
    assert found[0].worker_seconds == pytest.approx(2.0)
    assert "2.0 worker-seconds" in found[0].sentence


def test_findings_are_silent_below_their_minimum_of_data():
    assert findings(WorkerTime(starved=10**9), 4, 0.5) == ()
    assert findings(WorkerTime(working=97 * 10**9, starved=3 * 10**9), 4, 25.0) == ()


# -- documents ---------------------------------------------------------------------------------


def test_json_has_the_keys_of_schema_1_and_closes():
    document = json.loads(json_view.render(reading()))
    assert document["schema"] == 1
    (pool,) = document["pools"]
    assert {
        "name",
        "kind",
        "workers",
        "window_s",
        "worker_time",
        "tasks",
        "steals",
        "findings",
        "lost_rows",
    } <= set(pool)
    assert list(pool["worker_time"]) == [
        "working_s",
        "blocked_s",
        "run_queue_wait_s",
        "dispatch_s",
        "searching_s",
        "waking_s",
        "starved_s",
        "no_work_s",
    ]
    total = sum(pool["worker_time"].values())
    assert total == pytest.approx(pool["workers"] * pool["window_s"], rel=1e-9)
    assert pool["steals"]["hits"] == sum(map(sum, pool["steals"]["matrix"]))
    assert pool["steals"]["attempts"] == sum(map(sum, pool["steals"]["attempts_matrix"]))


def test_json_permits_no_nan():
    # RFC 8259 section 6: numeric values such as Infinity and NaN are not permitted.
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_view.render(reading(uptime_s=math.nan))


def test_text_names_every_category_and_finding():
    (pool,) = reading().pools
    written = text.explain(replace(reading(), pools=(replace(pool, core_time="kernel"),)))
    for name in (
        "working",
        "blocked",
        "run-queue wait",
        "dispatch",
        "searching",
        "waking",
        "starved",
        "no work",
    ):
        assert re.search(rf"^  {name} +\d", written, re.MULTILINE)
    assert "starved-beside-work" in written
    assert "tasks taken, thief by victim" in written


def hostile():
    base = reading(program=HOSTILE, note=HOSTILE)
    pool = base.pools[0]
    workers = tuple(replace(worker, name=HOSTILE, doing=HOSTILE) for worker in pool.workers)
    kinds = tuple(replace(kind, kind=HOSTILE) for kind in pool.tasks.kinds)
    tasks = replace(pool.tasks, kinds=kinds)
    pool = replace(pool, name=HOSTILE, kind="work-stealing", workers=workers, tasks=tasks)
    return replace(base, pools=(pool,))


@pytest.mark.parametrize("view", [text.explain, line.second_line, markdown.render, html.render])
def test_no_view_lets_control_characters_through(view):
    assert "\x1b" not in view(hostile())


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.seen, self.attributes = [], [], []

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        self.attributes += attrs
        if tag not in ("meta",):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_html_is_whole_self_contained_and_escapes_foreign_text():
    written = html.render(hostile())
    tags = Tags()
    tags.feed(written)
    assert tags.open == []
    assert "b" not in tags.seen
    assert not {"script", "link", "img", "iframe"} & set(tags.seen)
    assert not [name for name, _ in tags.attributes if name in ("src", "style")]
    assert not [one for name, one in tags.attributes if name == "href" and one[0] != "#"]
    assert written.count("url(") == written.count("url(#p-")
    assert "&lt;b&gt;&amp;" in written


def test_the_line_for_no_screen_says_state_shares_and_headline():
    written = line.second_line(reading())
    assert written.startswith("live: scripted (4 workers): in tasks 2")
    assert "starved-beside-work" in written or "too-little-parallelism" in written
    assert "\n" not in written


def test_where_detail_was_given_up_it_says_what_the_probe_costs_all_the_same():
    assert detail_sentence("totals only", 3.0, 0.0, float("nan"), 0.0432) == (
        "To cost less the probe records: totals only. As it is it costs 4.3% of the worker time. "
        "For 3.0 s of the window only the number of tasks is known."
    )
    assert detail_sentence("totals only", 0.0, 0.0, float("nan"), None) == (
        "To cost less the probe records: totals only."
    )
    assert detail_sentence("", 0.0, 0.0, float("nan"), 0.002) == ""
