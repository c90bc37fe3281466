"""The HTML page: headline first, all of the text, readable without eyes, mouse, light or a net."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from readings import reading
from reports import LENGTHS, READINGS, Page, slices_of, stealing
from whatifs import curve, what_if

from idlehands_monitor.model.lengths import PoolLengths
from idlehands_monitor.model.stealing import StealReading
from idlehands_monitor.model.vocabulary import Category, ExternalCategory
from idlehands_monitor.views import html
from idlehands_monitor.views.sections.glossary import MEANINGS
from idlehands_monitor.views.sections.whatif import whatif

MOST_BYTES = 500_000


class Outline(Page):
    """A page with each tag's attributes, in order."""

    def __init__(self, page):
        self.seen = []
        super().__init__(page)

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        super().handle_starttag(tag, attrs)

    def all_of(self, *tags):
        return [(tag, attributes) for tag, attributes in self.seen if tag in tags]


def outline(name):
    return Outline(html.render(READINGS[name]()))


def test_the_headline_comes_before_every_section():
    held = stealing()
    written = html.render(held)
    _, finding = held.headline
    assert written.index(f"Headline: {finding.code}") < written.index("<nav") < written.index("<h2")


@pytest.mark.parametrize("name", READINGS)
def test_titles_do_not_skip_a_level_and_each_link_leads_to_one(name):
    page = outline(name)
    levels = [int(tag[1]) for tag, _ in page.all_of("h1", "h2", "h3")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in zip(levels, levels[1:], strict=False))
    names = {attributes["id"] for _, attributes in page.seen if "id" in attributes}
    links = [attributes["href"] for _, attributes in page.all_of("a")]
    assert len(links) > 1
    assert all(link[0] == "#" and link[1:] in names for link in links)


@pytest.mark.parametrize("name", READINGS)
def test_every_picture_has_a_name_or_is_hidden_where_numbers_stand_beside_it(name):
    tags = outline(name).seen
    for (tag, attributes), (inner, _) in zip(tags, tags[1:], strict=False):
        if tag == "svg" and "class" in attributes:  # one without is a part of a picture
            is_named = attributes.get("aria-label", "").strip() or inner == "title"
            is_image = attributes.get("role") == "img"
            assert (is_image and is_named) or attributes.get("aria-hidden") == "true"


@pytest.mark.parametrize("name", READINGS)
def test_every_table_has_heads_of_columns_and_rows_and_is_named_where_it_scrolls(name):
    page = outline(name)
    for tag, attributes in page.all_of("th"):
        assert attributes["scope"] in ("col", "row"), tag
    scrolling = [one for _, one in page.all_of("div") if one.get("class") == "scroll"]
    assert len(scrolling) >= len(page.all_of("table"))
    assert all(one["tabindex"] == "0" and one["aria-label"].strip() for one in scrolling)


def test_every_figure_has_the_same_in_numbers_as_a_table():
    page = outline("stealing")
    figures = len(page.all_of("figure"))
    assert figures >= 6
    assert len(page.all_of("details")) == len(page.all_of("figcaption")) == figures


def test_it_draws_the_split_its_course_the_workers_the_matrix_lengths_could_run_and_the_curve():
    classes = [one.get("class", "") for _, one in outline("stealing").all_of("svg")]
    least = {"bar": 5, "course": 1, "lane": 4, "matrix": 1, "columns": 2, "curve": 1}
    assert not [name for name, count in least.items() if classes.count(name) < count]


@pytest.mark.parametrize(
    ("name", "categories"), [("stealing", set(Category)), ("external", set(ExternalCategory))]
)
def test_the_glossary_explains_the_categories_that_the_reading_can_have(name, categories):
    text = outline(name).text
    assert {one for one, meaning in MEANINGS.items() if meaning in text} == categories


def test_where_working_is_not_known_the_glossary_says_in_tasks():
    assert "how much of it on a core is not known" in html.render(READINGS["assumed"]())


def test_nothing_runs_nothing_is_fetched_and_the_page_forbids_both():
    written = html.render(stealing())
    page = Outline(written)
    policy = [one["content"] for _, one in page.all_of("meta") if "http-equiv" in one]
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]
    assert not {"script", "link", "img", "iframe", "object"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on") or name == "style"]
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", written)


def test_it_has_styles_for_the_dark_and_for_paper():
    written = html.render(stealing())
    assert "color-scheme: light dark" in written
    assert "(prefers-color-scheme: dark)" in written
    assert "@media print" in written


def test_a_pool_of_64_workers_makes_a_page_of_at_most_500_kb_with_every_cell_of_its_matrix():
    workers = 64
    base = reading(workers=workers)
    (pool,) = base.pools
    rng = np.random.default_rng(7)
    by_category = rng.integers(0, 10**9, (60, 8, workers))
    by_category[:, [1, 3, 4, 5]] //= 50  # most of the time is in half of the categories
    counts = rng.integers(1, 2000, (3, workers, workers))
    pool = replace(
        pool,
        history=pool.history * 6,
        worker_slices=replace(slices_of(1, 1), by_category=by_category),
        steals=StealReading(counts),
        lengths=PoolLengths(LENGTHS, LENGTHS, LENGTHS),
        curve=curve(),
    )
    written = html.render(replace(base, pools=(pool,)))
    assert written.count("←") == workers * (workers - 1)
    assert len(written.encode()) <= MOST_BYTES


def test_the_page_of_a_whatif_is_made_by_the_same_code():
    page = Outline(html.page("kiln", whatif(what_if())))
    assert [tag for tag, _ in page.all_of("main")] == ["main"]
    assert page.all_of("figure")
