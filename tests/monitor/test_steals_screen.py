"""The steals on the screen: what each key of the matrix does, the large view, the list of keys."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from readings import SECOND, reading
from test_dashboard import drive, screen_text, shown

from idlehands_monitor.model.stealing import Flow, StealReading, StealTimeline, largest_flows
from idlehands_monitor.model.tasks import HandOverReading
from idlehands_monitor.views import html, text
from idlehands_monitor.views.formatting import bars
from idlehands_monitor.views.sections.stealing import hit_shares, rates, timeline_line
from idlehands_monitor.views.terminal.keys import LISTED
from idlehands_monitor.views.terminal.keys_sheet import KeysSheet
from idlehands_monitor.views.terminal.matrix import MatrixView
from idlehands_monitor.views.terminal.steals_screen import StealsScreen, timeline_rows, worker_rows


def matrix_of(app):
    return app.screen.query_one(MatrixView)


# -- the keys of the matrix ----------------------------------------------------------------------


def test_w_goes_through_what_is_counted_and_the_title_says_it():
    async def test(app, pilot):
        await pilot.press("tab")
        for title in (
            "attempts, thief",
            "attempts that found nothing",
            "lost races",
            "steals, thief",
        ):
            await pilot.press("w")
            await shown(app, pilot, title)

    drive(test)


def test_u_goes_through_the_units_and_the_cells_follow():
    async def test(app, pilot):
        await pilot.press("tab", "n")
        await shown(app, pilot, "·       5    10    15")
        await pilot.press("u")
        await shown(app, pilot, "steals, per second")
        await shown(app, pilot, "·     0.5   0.9   1.4")
        await pilot.press("u")
        await shown(app, pilot, "share of the row")
        await shown(app, pilot, "·      17    33    50")

    drive(test)


def test_n_changes_between_cells_and_numbers_in_every_number_of_colours(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")

    async def test(app, pilot):
        await pilot.press("tab")
        assert "@@@@@@" in screen_text(app)
        await pilot.press("n")
        await shown(app, pilot, "5    10    15")
        await pilot.press("n")
        await shown(app, pilot, "@@@@@@")

    drive(test)


def test_o_puts_most_traffic_first_and_the_cursor_stays_at_its_workers():
    async def test(app, pilot):
        await pilot.press("tab", "down", "right")
        before = "1 ← 2: 10 of 20 attempts"
        await shown(app, pilot, before)
        await pilot.press("o")
        await shown(app, pilot, "most traffic first")
        assert re.search(r"^.* 3 +2 +1 +0 *$", screen_text(app), re.MULTILINE)
        assert before in screen_text(app)
        assert (matrix_of(app).thief, matrix_of(app).victim) == (1, 2)
        await pilot.press("right")
        await shown(app, pilot, "1 does not steal from itself")

    drive(test)


def test_a_large_pool_is_grouped_with_a_note_and_g_shows_every_worker():
    async def test(app, pilot):
        await shown(app, pilot, "each row and column stands for 8 workers, 0–7, 8–15 …")
        await pilot.press("tab", "down", "right", "right")
        await shown(app, pilot, "8–15 ← 16–23: ")
        await pilot.press("g")
        await shown(app, pilot, "8 ← 16: 80 of 160 attempts; 80 empty, 0 lost races")
        assert "stands for" not in screen_text(app)
        await pilot.press("g")
        await shown(app, pilot, "8–15 ← 16–23: ")

    drive(test, reading(workers=256), size=(200, 60))


def test_lines_that_say_the_same_as_before_are_not_drawn_again(monkeypatch):
    drawn = []

    async def test(app, pilot):
        matrix = matrix_of(app)
        await pilot.press("tab")
        await pilot.pause()
        kept = matrix.draw_line
        monkeypatch.setattr(matrix, "draw_line", lambda y, n: (drawn.append(y), kept(y, n))[1])
        matrix.show(reading().pools[0])
        await pilot.pause()
        assert drawn == []
        pool = reading().pools[0]
        counts = pool.steals.counts.copy()
        counts[0, 2, 0] = 14
        matrix.show(replace(pool, steals=StealReading(counts)))
        await pilot.pause()
        assert set(drawn) == {4}  # below the title and the heads

    drive(test)


def test_the_matrix_beside_the_workers_changes_once_a_second_and_at_a_pause_or_the_end():
    async def test(app, pilot):
        matrix = matrix_of(app)
        first = reading().pools[0]

        def later(seconds, steals, *, paused=False):
            """Let it follow a reading of later; return the steals of worker 0 that it shows."""
            counts = first.steals.counts.copy()
            counts[0, 0, 1] = steals
            at_ns = first.end_ns + round(seconds * SECOND)
            pool = replace(first, steals=StealReading(counts), end_ns=at_ns)
            matrix.follow(pool, paused=paused)
            return int(matrix._grid.values[0, 1])

        assert first.end_ns % SECOND == 0
        assert later(0.25, 20) == first.steals.counts[0, 0, 1]
        assert later(1.0, 30) == 30
        assert later(1.25, 40) == 30
        assert later(1.25, 41) == 41  # nothing more comes
        assert later(1.5, 50) == 41
        assert later(1.75, 60, paused=True) == 60

    drive(test)


def test_the_lowest_line_tells_the_keys_of_the_matrix_once_it_has_them():
    async def test(app, pilot):
        assert "t steals" in screen_text(app).splitlines()[-1]
        await pilot.press("tab")
        await shown(app, pilot, "w what · u unit · n numbers · o order · g groups")

    drive(test, size=(80, 24))


def marked(matrix, y):
    """Return the cells at which line `y` has the cursor's mark begin and end, None without one."""
    place = 0
    for segment in matrix.draw_line(y, matrix.size.width):
        if segment.style.reverse:
            return place, place + len(segment.text)
        place += len(segment.text)
    return None


def test_the_cell_under_the_cursor_is_marked_wherever_it_goes():
    async def test(app, pilot):
        matrix = matrix_of(app)
        assert [marked(matrix, y) for y in range(2, 6)] == [None] * 4
        await pilot.press("tab", "right", "down")
        assert [marked(matrix, y) for y in range(2, 6)] == [None, (14, 20), None, None]
        await pilot.press("left", "left", "down")
        assert [marked(matrix, y) for y in range(2, 6)] == [None, None, (2, 8), None]

    drive(test)


# -- the list of keys ----------------------------------------------------------------------------


def test_question_mark_lists_every_key_and_closes_again():
    async def test(app, pilot):
        await pilot.press("question_mark")
        await shown(app, pilot, "Everywhere")
        assert isinstance(app.screen, KeysSheet)
        await pilot.press("question_mark")
        await pilot.pause()
        assert not isinstance(app.screen, KeysSheet)

    drive(test)


def test_no_key_of_the_matrix_is_missing_from_the_list():
    listed = {key.shown or key.keys for _, keys in LISTED for key in keys if key.does}
    letters = {binding.key for binding in MatrixView.BINDINGS if len(binding.key) == 1}
    assert letters <= listed
    assert {"w", "u", "n", "o", "g"} <= letters


# -- the large view ------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
def test_t_opens_the_steals_on_the_whole_screen_at_every_size(size):
    async def test(app, pilot):
        await pilot.press("t")
        for words in (
            "980 hits in 1960 steal attempts",
            "steals, thief ↓ victim →",
            "over time, ",
            "lost races",
            "share of hits ",
            "from and to",
            "t back",
        ):
            await shown(app, pilot, words)
        assert isinstance(app.screen, StealsScreen)
        await pilot.press("t")
        await pilot.pause()
        assert not isinstance(app.screen, StealsScreen)
        await shown(app, pilot, "worker-seconds")

    drive(test, reading(workers=8), size=size)


def test_the_large_view_has_totals_of_every_worker_and_who_feeds_whom():
    async def test(app, pilot):
        await pilot.press("t")
        await shown(app, pilot, "as a thief")
        lines = [" ".join(line.split()) for line in screen_text(app).splitlines()]
        assert any("0 280 140 2.0/– – 0 0 −140" in line for line in lines)
        assert any("7 → 0: 35" in line for line in lines)

    drive(test, reading(workers=8), size=(200, 60))


def test_what_was_chosen_in_one_view_holds_in_the_other():
    async def test(app, pilot):
        await pilot.press("tab", "w", "down", "t")
        await shown(app, pilot, "attempts, thief ↓ victim →")
        assert matrix_of(app).thief == 1
        await pilot.press("o", "down", "t")
        await pilot.pause()
        await shown(app, pilot, "most traffic first")
        assert matrix_of(app).thief == 0

    drive(test, size=(200, 60))


def test_the_large_view_goes_on_with_the_stream_and_says_when_it_is_paused():
    async def test(app, pilot):
        await pilot.press("t")
        await shown(app, pilot, "4 workers")
        app.session.feed.shown = reading(workers=2)
        await shown(app, pilot, "2 workers")
        await pilot.press("space")
        await shown(app, pilot, "live, paused")

    drive(test)


def test_t_says_that_there_is_nothing_to_see_where_all_tasks_came_from_outside():
    base = reading()
    outside = HandOverReading(((1, 2, 3, 4), *[(0,) * 4] * 4))
    pool = replace(base.pools[0], kind="one queue", stealing=None, hand_overs=outside)

    async def test(app, pilot):
        await pilot.press("t")
        await shown(app, pilot, "nothing is stolen here, and every task was handed in from outside")
        assert not isinstance(app.screen, StealsScreen)

    drive(test, replace(base, pools=(pool,)))


def test_a_pool_of_one_queue_says_that_nothing_is_stolen():
    base = reading()
    pool = replace(
        base.pools[0],
        kind="one queue",
        stealing=None,
        hand_overs=HandOverReading(((1, 2, 3, 4), (1,) * 4, *[(0,) * 4] * 3)),
    )

    async def test(app, pilot):
        await pilot.press("t")
        await shown(app, pilot, "hand-overs, submitter ↓ runner →")
        assert "Nothing is stolen here" in screen_text(app)

    drive(test, replace(base, pools=(pool,)))


# -- totals and time as text ---------------------------------------------------------------------

TIMELINE = StealTimeline(
    edges_s=(0.0, 2.0, 4.0, 6.0, 8.0),
    counted_s=(2.0, 2.0, 0.0, 4.0),
    attempts=(10, 0, None, 80),
    hits=(5, 0, None, 20),
    empties=(5, 0, None, 50),
    lost_races=(0, 0, None, 10),
)


def test_rates_and_shares_over_time_are_blank_where_nothing_is_known():
    assert rates(TIMELINE.attempts, TIMELINE.counted_s) == [5.0, 0.0, None, 20.0]
    assert hit_shares(TIMELINE) == [0.5, None, None, 0.25]


def test_bars_distinguish_zero_from_unknown():
    assert bars([5.0, 0.0, None, 20.0], 20.0) == "▂_ █"
    assert bars([1.0, None], 1.0, 2) == "██  "
    assert bars([0.0, None], 0.0) == "_ "


def test_the_rows_over_time_say_their_units_and_their_axis():
    attempts, hits, share, lost, axis = timeline_rows(TIMELINE, 30)
    assert attempts == "attempts       ▂_ █ up to 20/s"
    assert hits.endswith("up to 5/s")
    assert share == "share of hits  ▄  ▂ of 100 %"
    assert lost.endswith("up to 2/s") or lost.endswith("up to 3/s")
    assert axis.startswith("from and to    −8.0 s")
    assert axis.endswith("end")


def test_the_timeline_is_one_line_of_text():
    (line,) = timeline_line(TIMELINE)
    assert line == (
        "Steal attempts over time, 2.0 s a bar: ▂_ █ up to 20/s; 25 % to 50 % of them were hits"
    )
    short = replace(TIMELINE, edges_s=(0.0, 2.0), counted_s=(2.0,), attempts=(10,), hits=(5,))
    assert timeline_line(short) == []


def test_flows_are_largest_first_and_equal_ones_by_worker():
    flow = ((0, 3, -6, 3), (-3, 0, 1, 0), (6, -1, 0, 0), (-3, 0, 0, 0))
    assert largest_flows(flow, 9) == [Flow(2, 0, 6), Flow(0, 1, 3), Flow(0, 3, 3), Flow(1, 2, 1)]
    assert largest_flows(flow, 2) == [Flow(2, 0, 6), Flow(0, 1, 3)]
    assert largest_flows((), 5) == []


def test_a_workers_row_has_its_attempts_beside_those_at_random():
    stealing = reading().pools[0].stealing
    thief = replace(stealing.by_thief[0], attempts_at_random=3.25)
    rows = worker_rows(replace(stealing, by_thief=(thief, *stealing.by_thief[1:])))
    assert rows[0].split() == ["0", "60", "30", "2.0/3.2", "–", "0", "0", "−30"]
    assert len({len(row) for row in rows}) == 1


def test_a_small_matrix_is_printed_whole_with_the_totals_of_rows_and_columns():
    written = text.explain(reading(workers=3))
    assert re.search(r"^ +0 +1 +2 +all$", written, re.MULTILINE)
    assert re.search(r"^ +0 +· +5 +10 +15$", written, re.MULTILINE)
    assert re.search(r"^ +all +0 +10 +20 +30$", written, re.MULTILINE)


@pytest.mark.parametrize("view", [text.explain, html.render])
def test_a_large_matrix_is_grouped_and_says_so(view):
    size = 16 if view is text.explain else 4
    assert f"each row and column stands for {size} workers, 0–{size - 1}" in view(
        reading(workers=256)
    )
