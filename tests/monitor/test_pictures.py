"""The pictures of the HTML page: what they are drawn from, what they show, and their tables."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from readings import HOSTILE, reading
from reports import slices_of, stealing

from histories import History, Task, ledger
from idlehands_monitor.analysis.time.lengths import PER_DECADE, lengths_of
from idlehands_monitor.analysis.time.pool_times import edges_of, pool_times
from idlehands_monitor.model.worker_time import CATEGORIES, WorkerSlices
from idlehands_monitor.views.palette import TIME_STYLES
from idlehands_monitor.views.sections.facts import Bar, Columns, Lane, Lanes, Mark, Matrix, Slice
from idlehands_monitor.views.sections.lengths import lengths
from idlehands_monitor.views.sections.pictures import (
    MOST_LANES,
    could_run,
    course,
    lanes,
    lengths_picture,
    queue_course,
)
from idlehands_monitor.views.svg.axis import axis_svg
from idlehands_monitor.views.svg.columns import columns_svg
from idlehands_monitor.views.svg.matrix import MOST_WITH_VALUES, matrix_svg
from idlehands_monitor.views.svg.shares import bar_svg, course_svg, lanes_svg
from idlehands_monitor.views.svg.styles import PATTERNS, class_of, definitions, step_class, style

SECOND = 10**9


class Shapes(HTMLParser):
    """The tags of a picture with their attributes, and its titles."""

    def __init__(self, picture):
        super().__init__()
        self.tags, self.titles, self._in_title = [], [], False
        self.feed(picture)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._in_title = tag == "title"

    def handle_endtag(self, tag):
        self._in_title = False

    def handle_data(self, data):
        if self._in_title:
            self.titles.append(data)

    def all_of(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


def percent(text):
    assert text.endswith("%")
    return float(text[:-1])


# -- what pictures are drawn from ----------------------------------------------------------------


def test_the_slices_of_all_workers_add_up_to_the_slices_of_the_pool():
    history = History(3, 6 * SECOND)
    history.tasks = [Task(n, n % 3, 0, n * SECOND, n * SECOND + SECOND // 2) for n in range(6)]
    history.idle_intervals = [(2, 0, 2 * SECOND, True, -1)]
    held = ledger(history)
    times = pool_times(held.pools[0], held.host, 0, 6 * SECOND, None)
    summed = times.by_worker.by_category.sum(axis=2)
    assert len(summed) == len(edges_of(0, 6 * SECOND)) - 1
    for row, part in zip(summed.tolist(), times.slices, strict=True):
        assert row == [getattr(part, category) for category in CATEGORIES]


def test_merged_slices_hold_the_same_time_and_the_last_may_be_shorter():
    slices = slices_of(47, 2)
    merged = slices.merged(30)
    assert len(merged.by_category) == 24
    assert merged.by_category.sum() == slices.by_category.sum()
    assert slices.merged(47) is slices


def test_lengths_are_counted_in_classes_of_equal_factors_each_from_its_lower_edge():
    held = lengths_of(np.array([1_000, 1_000, 9_999, 10_000, 10**6], dtype=np.int64))
    assert held.edges_s[0] == pytest.approx(1e-6)
    assert held.edges_s[PER_DECADE] == pytest.approx(1e-5)
    assert (held.counts[0], held.counts[PER_DECADE - 1], held.counts[PER_DECADE]) == (2, 1, 1)
    assert held.total == 5
    assert held.median_s == pytest.approx(9.999e-6)
    assert len(held.edges_s) == len(held.counts) + 1


def test_no_lengths_have_no_classes_and_a_length_of_0_counts_as_a_nanosecond():
    assert lengths_of(np.zeros(0, dtype=np.int64)) is None
    assert lengths_of(np.zeros(3, dtype=np.int64)).counts == (3,)


def test_the_lengths_of_a_window_are_of_what_ended_in_it_parks_and_searches_apart():
    history = History(2, 10 * SECOND)
    edges = [0, SECOND // 2, 3 * SECOND, 8 * SECOND]
    history.tasks = [Task(n, 0, 0, *edges[n : n + 2]) for n in range(3)]
    history.idle_intervals = [(1, 0, 2 * SECOND, False, -1), (1, 2 * SECOND, 9 * SECOND, True, -1)]
    held = ledger(history)
    found = pool_times(held.pools[0], held.host, SECOND, 7 * SECOND, None).lengths
    assert found.tasks.total == 1
    assert found.tasks.median_s == pytest.approx(2.5)
    assert found.searches.median_s == pytest.approx(2.0)
    assert found.parks is None


# -- sections ------------------------------------------------------------------------------------


def test_each_picture_has_a_table_with_as_many_rows_as_it_shows_values():
    (pool,) = stealing().pools
    drawn = course(pool)
    assert len(drawn.table.rows) == len(drawn.drawn.bars) == len(pool.history)
    lane = lanes(pool)
    assert [one.name for one in lane.drawn.lanes] == [row[0] for row in lane.table.rows]
    could = could_run(pool.graph)
    assert [row[1] for row in could.table.rows] == ["1.0", "4.0", "7.0", "4.0"]
    lengths_drawn = lengths_picture("tasks", pool.lengths.tasks)
    assert [row[1] for row in lengths_drawn.table.rows] == ["3", "0", "12", "40", "2"]


def test_a_slice_without_time_has_no_shares_and_a_dash_in_the_table():
    (pool,) = stealing().pools
    picture = lanes(pool)
    assert all(lane.shares[-1] == () for lane in picture.drawn.lanes)
    assert picture.table.rows[0][-1] == "–"
    assert picture.table.rows[0][1] == "90 %"


def test_a_pool_of_more_workers_than_lanes_says_how_many_are_left_out():
    base = reading(workers=MOST_LANES + 6, hits=0).pools[0]
    picture = lanes(replace(base, worker_slices=slices_of(60, MOST_LANES + 6)))
    assert len(picture.drawn.lanes) == MOST_LANES
    assert "6 more workers in the table" in picture.title


def test_what_is_not_known_is_not_drawn():
    (pool,) = reading().pools
    bare = replace(pool, history=(), worker_slices=WorkerSlices(), queue_lengths=(), graph=None)
    assert [course(bare), lanes(bare), queue_course(bare), could_run(None)] == [None] * 4
    assert lengths(bare) is None
    assert queue_course(replace(pool, queue_lengths=(float("nan"), 1.0))) is None


def test_the_queue_over_time_leaves_out_what_is_not_known():
    (pool,) = reading().pools
    picture = queue_course(replace(pool, queue_lengths=(float("nan"), 1.0, 3.0)))
    assert picture.drawn.values == (None, 1.0, 3.0)
    assert picture.drawn.most == "3.0"


# -- SVG -----------------------------------------------------------------------------------------


def test_the_parts_of_a_bar_stand_side_by_side_and_each_says_what_it_is():
    slices = tuple(Slice(one, 0.125, f"{one} <12 %>") for one in CATEGORIES)
    shapes = Shapes(bar_svg(Bar(slices)))
    ends = 0.0
    for rect, one in zip(shapes.all_of("rect"), CATEGORIES, strict=True):
        assert percent(rect["x"]) == pytest.approx(ends)
        assert rect["class"] == class_of(one)
        ends += percent(rect["width"])
    assert ends == pytest.approx(100)
    assert shapes.titles == [f"{one} <12 %>" for one in CATEGORIES]


def test_each_column_of_the_course_is_filled_from_top_to_bottom():
    (pool,) = stealing().pools
    picture = course(pool)
    shapes = Shapes(course_svg(picture.drawn, picture.title))
    heights = []
    for tag, attributes in shapes.tags:
        if tag == "svg" and "x" in attributes:
            assert percent(attributes["x"]) == pytest.approx(10.0 * len(heights))
            heights.append(0.0)
        elif tag == "rect":
            assert percent(attributes["y"]) == pytest.approx(heights[-1], abs=0.1)
            heights[-1] += percent(attributes["height"])
    assert heights == pytest.approx([100] * len(pool.history), abs=0.3)
    assert len(shapes.titles) == len(pool.history)


def test_every_lane_lies_within_its_picture_and_a_slice_without_time_is_left_blank():
    shares = ((0.5, 0.5), (), (1.0, 0.0))
    marks = (Mark(0.0, "0 s"), Mark(1.0, "9 s"))
    drawn = Lanes(CATEGORIES[:2], (Lane("0", HOSTILE, shares),), (0.0, 0.4, 0.5, 1.0), marks)
    written = lanes_svg(drawn, "lanes")
    assert "\x1b" not in written
    first, second = (path["d"] for path in Shapes(written).all_of("path"))
    assert first == "M0 0V10H240V0ZM300 0V20H600V0Z"
    assert second == "M0 10V20H240V10Z"


def test_the_largest_column_is_below_the_top_and_a_small_one_is_seen():
    drawn = Columns((0.0, 1.0, 10_000.0, None), ("a", "b", HOSTILE, "d"), (), "10.0k")
    shapes = Shapes(columns_svg(drawn, "tasks"))
    small, large = shapes.all_of("rect")
    assert percent(small["height"]) >= 1
    assert percent(large["y"]) > 5
    assert percent(large["y"]) + percent(large["height"]) == pytest.approx(100, abs=0.02)


def test_marks_that_stand_close_lose_texts_and_those_at_the_ends_stay_inside():
    shapes = Shapes(axis_svg(tuple(Mark(n / 40, str(n)) for n in range(41))))
    texts = shapes.all_of("text")
    assert len(texts) == 11
    assert texts[0]["text-anchor"] == "start"
    assert texts[-1]["text-anchor"] == "end"
    assert axis_svg(()) == '<svg class="axis" aria-hidden="true"></svg>'


def made_matrix(workers, value="7"):
    names = (*map(str, range(workers)), "all")
    cells = tuple(tuple(value for _ in names) for _ in names)
    steps = tuple((*(9 if r == c else 3 for c in range(workers)), 9) for r in range(workers))
    steps += ((9,) * (workers + 1),)
    return Matrix("thief by victim", names, names, cells, steps, "took from", value)


def test_the_cells_of_a_small_matrix_hold_their_values_and_say_them_on_hover():
    shapes = Shapes(matrix_svg(made_matrix(3)))
    assert len(shapes.all_of("rect")) == 6
    assert shapes.titles[:2] == ["0 took from 1: 7", "0 took from 2: 7"]
    (svg,) = shapes.all_of("svg")
    right = [float(one["x"]) + float(one["width"]) for one in shapes.all_of("rect")]
    assert max(right) == float(svg["width"])


def test_the_cells_of_a_large_matrix_are_small_and_say_their_values_on_hover_alone():
    workers = MOST_WITH_VALUES + 1
    shapes = Shapes(matrix_svg(made_matrix(workers, "1234")))
    assert len(shapes.titles) == workers * (workers - 1)
    assert all(text == "1234" for text in re.findall(r": (\d+)$", "\n".join(shapes.titles)))
    assert len(shapes.all_of("text")) < workers
    assert [one for one in shapes.all_of("rect") if "y" in one] == [
        {"class": step_class(step), "x": str(48 + 10 * step), "y": "276"} for step in range(9)
    ]


def test_wide_values_get_wider_cells():
    drawn = [matrix_svg(made_matrix(3, text)) for text in ("7", "1234567")]
    narrow, wide = (Shapes(one).all_of("svg")[0] for one in drawn)
    assert float(wide["width"]) > float(narrow["width"])


def test_every_category_has_a_pattern_of_its_own_beside_its_colour():
    drawn = [lines for category, lines in PATTERNS.items()]
    assert len(set(drawn)) == len(drawn)
    assert set(PATTERNS) == set(TIME_STYLES)
    for category in PATTERNS:
        assert f'id="p-{category}"' in definitions()
        assert f".{class_of(category)} {{ fill: url(#p-{category}) }}" in style()
