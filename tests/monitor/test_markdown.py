"""Markdown of a report: a foreign name cannot change the page, and a reader sees it unchanged."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading
from reports import Page, facts_of, markdown_page, squeezed
from test_external import shown

from idlehands_monitor.model.external import StackReading
from idlehands_monitor.model.places import PlaceReading
from idlehands_monitor.views import html, markdown, text
from idlehands_monitor.views.foreign_text import safe_line
from idlehands_monitor.views.sections.report import report

ALLOWED = {
    *("h1", "h2", "h3", "p", "strong", "em", "ul", "li", "code"),
    *("table", "thead", "tbody", "tr", "th", "td"),
}
HOSTILE = [
    "[kiln](http://evil.example)",
    "![kiln](http://evil.example/a.png)",
    "<img src=x onerror=alert(1)>",
    "</td></tr></table><script>alert(1)</script>",
    "kiln | tile | 99",
    "`kiln` ``` kiln",
    "http://evil.example/a?b=c",
    "HTTPS://evil.example",
    "www.evil.example",
    "WWW.evil.example",
    "<http://evil.example>",
    "[kiln]: http://evil.example",
    "kiln@evil.example",
    "@kiln",
    "#12",
    "kiln\n# heading\n\n| a |\n| - |\n| b |",
    "- item",
    "1. item",
    "12) item",
    "+ item",
    "= underlined",
    "--- | ---",
    "***kiln*** __kiln__ ~~kiln~~",
    "&lt;b&gt; &#64;kiln &copy;",
    "<!-- kiln -->",
    "kiln\\",
    "\\[kiln](http://evil.example)",
    "$kiln$",
    "> kiln",
    "    kiln",
    "\x1b[31mkiln\u202e",
]


def held(name):
    """Return a reading with one name wherever a foreign one can stand."""
    base = reading(program=name, note=name, target=name, python=name, warning=name)
    (pool,) = base.pools
    workers = tuple(replace(worker, name=name) for worker in pool.workers)
    kinds = tuple(replace(kind, kind=name) for kind in pool.tasks.kinds)
    tasks = replace(pool.tasks, kinds=kinds)
    pool = replace(pool, name=name, kind=name, broken=name, workers=workers, tasks=tasks)
    return replace(base, pools=(replace(pool, kind="work-stealing"), replace(pool, number=1)))


def seen(name):
    """Return an external reading with one name wherever a foreign one can stand."""
    base = shown(program=name)
    stack = StackReading((PlaceReading(name, name, 1),), 3)
    (pool,) = base.external
    workers = tuple(replace(worker, name=name, waits_for=name) for worker in pool.workers)
    pool = replace(
        pool, name=name, module=name, library=name, workers=workers, blocked_stacks=(stack,)
    )
    return replace(base, external=(pool, replace(pool, missing=name)))


@pytest.mark.parametrize("make", [held, seen])
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_makes_no_link_image_html_or_cell_and_reads_as_it_is(name, make):
    hostile, harmless = make(name), make("kiln")
    page, plain = (markdown_page(markdown.page(report(one))) for one in (hostile, harmless))
    assert page.tags == plain.tags
    assert set(page.tags) <= ALLOWED
    assert len(page.cells) == len(plain.cells)
    place = 0
    for fact in facts_of(report(hostile)):
        found = page.text.find(squeezed(fact), place)
        assert found >= 0, fact
        place = found + len(squeezed(fact))


@pytest.mark.parametrize("make", [held, seen])
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_cannot_change_the_short_report_either(name, make):
    hostile, harmless = (markdown.render(make(one)) for one in (name, "kiln"))
    page, plain = markdown_page(hostile), markdown_page(harmless)
    assert page.tags == plain.tags
    assert set(page.tags) <= ALLOWED | {"pre"}
    assert len(page.cells) == len(plain.cells)
    assert hostile.count("\n") == harmless.count("\n")


@pytest.mark.parametrize("make", [held, seen])
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_makes_no_tag_in_html_and_no_line_in_text(name, make):
    hostile, harmless = make(name), make("kiln")
    assert Page(html.render(hostile)).tags == Page(html.render(harmless)).tags
    written = text.explain(hostile)
    assert written.count("\n") == text.explain(harmless).count("\n")
    for view in (written, markdown.render(hostile), html.render(hostile)):
        assert "\x1b" not in view
        assert "\u202e" not in view


def test_words_that_sites_make_into_links_are_broken_where_a_backslash_does_not_help():
    assert markdown.escaped("a@b.example") == "a@<!-- -->b.example"
    assert markdown.escaped("see #12") == "see \\#<!-- -->12"
    assert markdown.escaped("http://b.example") == "http:/<!-- -->/b.example"
    assert markdown.escaped("www.b.example") == "www<!-- -->.b.example"


@given(st.text(max_size=60))
def test_any_text_reads_in_markdown_as_it_is(name):
    page = markdown_page(f"{markdown.paragraph(name)}\n\n| {markdown.escaped(name)} |\n| :-- |\n")
    assert set(page.tags) <= {"p", "table", "thead", "tr", "th"}
    assert page.text == squeezed(f"{safe_line(name)} {safe_line(name)}")
