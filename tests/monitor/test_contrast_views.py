"""A comparison says the same as text, as Markdown and as HTML, and the JSON has all of it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from reports import Page, facts_of, markdown_page, squeezed
from runs import Job, run
from test_contrast import SLOW_SIFT, TWO_KINDS, finding, several, with_findings, with_promises

from idlehands_monitor.analysis.contrast import worth
from idlehands_monitor.analysis.contrast.contrasting import contrast
from idlehands_monitor.model.contrast import (
    EndReading,
    StealContrast,
    StealFigure,
    TimeContrast,
)
from idlehands_monitor.model.vocabulary import Category, FindingCode, Verdict
from idlehands_monitor.model.whatif import Unit
from idlehands_monitor.views import contrast_json, html, markdown, text
from idlehands_monitor.views.sections.contrast import contrast as sections_of
from idlehands_monitor.views.sections.contrast import points
from idlehands_monitor.views.sections.contrast_headline import headline

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "contrast.md").read_text(encoding="utf-8")


def full():
    """Return a comparison of which every section says something."""
    before = with_promises(with_findings(run(TWO_KINDS), finding()), Verdict.KEPT)
    after = with_promises(
        with_findings(run(replace(SLOW_SIFT, python="3.13.0")), finding(FindingCode.PARK_CHURN)),
        Verdict.BROKEN,
    )
    made = contrast([before], [after])
    (pool,) = made.pools
    steals = (StealContrast(StealFigure.ATTEMPTS_PER_TASK, 2.0, 14.0, named=True),)
    pool = replace(pool, steals=steals, only_before=("mill.bag",), name_after="mill.py:9")
    return replace(made, pools=(pool,), only_after=("kiln",), notes=("before: rows were lost",))


READINGS = {
    "full": full,
    "several": lambda: contrast(several(TWO_KINDS), several(SLOW_SIFT, 11)),
    "alike": lambda: contrast([run()], [run(seed=2)]),
    "hostile": lambda: contrast(
        [run(Job(name="ev\x1b[31mil <b>&`*|", kinds=("a|b\u202e", "<script>")))],
        [run(Job(name="ev\x1b[31mil <b>&`*|", kinds=("a|b\u202e", "<script>")), 2)],
    ),
}
VIEWS = {
    "text": lambda made: " ".join(text.page(made).split()),
    "markdown": lambda made: markdown_page(markdown.page(made)).text,
    "html": lambda made: Page(html.page("mill", made)).text,
}


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("name", READINGS)
def test_every_title_sentence_and_cell_is_in_every_view_in_order(name, view):
    made = sections_of(READINGS[name]())
    written, place = VIEWS[view](made), 0
    for fact in facts_of(made):
        found = written.find(squeezed(fact), place)
        assert found >= 0, f"{fact!r} is missing or stands too early"
        place = found + len(squeezed(fact))


def test_the_answer_is_the_first_line():
    assert text.page(sections_of(READINGS["alike"]())).startswith("No difference worth naming\n")
    assert text.page(sections_of(full())).startswith("After: ")


def test_a_full_comparison_has_every_section():
    titles = [section.title for section in sections_of(full())]
    assert titles[1:] == [
        "What the job comes to",
        "Pool mill",
        "Where the worker time went",
        "Findings",
        "Kinds of task",
        "What the scheduler promises",
        "Steals",
        "Versions, host and pools",
    ]


@pytest.mark.parametrize("name", READINGS)
def test_no_view_lets_a_control_character_through(name):
    made = sections_of(READINGS[name]())
    for written in (text.page(made), markdown.page(made), html.page("mill", made)):
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", written)


# -- JSON ------------------------------------------------------------------------------------------


def keys(title):
    """Return the keys that a row of the table of keys names behind its first cell."""
    row = next(line for line in PAGE.splitlines() if line.startswith(f"| `{title}`"))
    return set(re.findall(r"`(\w+)`", row.split("|", 2)[2]))


def test_the_page_names_every_key_of_the_document():
    document = json.loads(contrast_json.render(full()))
    first_cells = re.findall(r"^\| (`[^|]*`) \|", PAGE.split("## JSON", 1)[1], re.MULTILINE)
    top = {name for cell in first_cells for name in re.findall(r"`(\w+)`", cell)}
    assert top == set(document)
    (pool,) = document["pools"]
    assert set(pool) == keys("pools") | set(
        re.findall(r"^\| `pools\[\]\.(\w+)`", PAGE, re.MULTILINE)
    )
    for group in ("time", "findings", "promises", "steals"):
        assert set(pool[group][0]) <= keys(f"pools[].{group}")
    kind = pool["kinds"][0]
    assert set(kind) | set(kind["before"]) <= keys("pools[].kinds")
    assert set(document["end_to_end"][0]) <= keys("end_to_end")
    assert set(document["circumstances"][0]) == keys("circumstances")


def test_the_document_has_the_values_of_the_reading():
    made = full()
    document = json.loads(contrast_json.render(made))
    assert document["schema"] == 1
    assert document["headline"] == headline(made)
    assert document["has_difference"] is True
    assert document["end_to_end"][0]["gain"] == made.end_to_end[0].gain
    assert document["end_to_end"][0]["low"] is None
    (pool,) = document["pools"]
    assert [one["category"] for one in pool["time"]] == list(Category)
    assert pool["kinds"][0]["p"] == made.pools[0].kinds[0].p


# -- the headline ----------------------------------------------------------------------------------


def ended(unit, after, low=None, high=None, gain=None, **changes):
    given = (after - 100) / 100 if unit is Unit.TASKS_PER_S else (100 - after) / 100
    return EndReading(
        unit,
        100.0,
        after,
        given if gain is None else gain,
        low,
        high,
        False,
        (),
        (),
        True,
        **changes,
    )


@pytest.mark.parametrize(
    ("end", "clause"),
    [
        (ended(Unit.SECONDS, 69.0, 0.28, 0.34), "31 % sooner [28 to 34 %]"),
        (ended(Unit.SECONDS, 112.0, -0.15, -0.09), "12 % later [9 to 15 %]"),
        (ended(Unit.SECONDS, 69.0), "31 % sooner"),
        (ended(Unit.SECONDS, 350.0), "takes 3.5 times as long"),
        (ended(Unit.TASKS_PER_S, 130.0, 0.28, 0.34), "30 % more tasks a second [28 to 34 %]"),
        (ended(Unit.TASKS_PER_S, 60.0), "40 % fewer tasks a second"),
        (
            ended(Unit.TASKS_PER_S, 400.0, 2.8, 3.2),
            "4 times as many tasks a second [3.8 to 4.2 times]",
        ),
        (
            ended(Unit.TASKS_PER_S, 1900.0, task_ratio=1 / 22),
            "19 times as many tasks a second, of tasks that take 1/22 of the time",
        ),
        (
            ended(Unit.TASKS_PER_S, 27.0, task_ratio=4.0),
            "73 % fewer tasks a second, of tasks that take 4 times as long",
        ),
        (ended(Unit.TASKS_PER_S, 27.0, task_ratio=0.4), "73 % fewer tasks a second"),
        (ended(Unit.P95_S, 50.0), "the 95th percentile from hand-in to end 50 % shorter"),
    ],
)
def test_the_headline_says_what_the_job_comes_to_in_its_own_unit(end, clause):
    made = replace(READINGS["alike"](), end_to_end=(end,))
    assert headline(made) == f"After: {clause}"


@pytest.mark.parametrize(
    ("before", "after", "clause"),
    [
        (0.12, 0.004, "starved time gone (was 12 %)"),
        (0.0, 0.12, "starved time new (12 %)"),
        (0.31, 0.12, "starved time 31 % → 12 %"),
    ],
)
def test_the_headline_says_which_category_came_went_or_changed(before, after, clause):
    made = READINGS["alike"]()
    (pool,) = made.pools
    time = (TimeContrast(Category.STARVED, before, after, None, None, named=True),)
    made = replace(made, end_to_end=(), pools=(replace(pool, time=time),))
    assert headline(made) == f"After: {clause}"


def test_a_job_of_several_pools_has_the_pool_in_each_clause():
    made = full()
    both = replace(made, end_to_end=(), pools=(*made.pools, *made.pools))
    assert "lock-wait gone in pool mill" in headline(both)


def test_more_differences_than_a_sentence_holds_are_counted():
    made = full()
    (pool,) = made.pools
    kinds = tuple(replace(pool.kinds[0], kind=f"k{n}", named=True) for n in range(20))
    many = replace(made, end_to_end=(), pools=(replace(pool, kinds=kinds, time=()),))
    assert headline(many).endswith("; and 18 more differences")
    assert headline(many).count(";") == 6


def test_points_have_their_sign_and_interval():
    one = TimeContrast(Category.STARVED, 0.31, 0.229, -0.102, -0.06)
    assert points(one) == "−8.1 (−10.2 to −6.0)"


# -- the limits ------------------------------------------------------------------------------------


def test_the_page_has_every_limit_with_its_value():
    rows = re.findall(r"^\| [^|]+ \| ([\d.]+)( %)? \| [^|]+ \| `(\w+)` \|$", PAGE, re.MULTILINE)
    written = {name: float(value) / (100 if unit else 1) for value, unit, name in rows}
    held = {name: value for name, value in vars(worth).items() if name.isupper()}
    assert written == pytest.approx(held)
