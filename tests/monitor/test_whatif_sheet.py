"""The what-if sheet driven headless: what it asks of its session, what it shows, what keys do."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace

import pytest
from readings import HOSTILE, reading
from rich.cells import cell_len
from test_dashboard import StillFeed, screen_text, shown
from test_external import shown as external_reading
from whatifs import answer, batch, open_pool, refused, what_if

from idlehands_monitor.model.changes import KindTime
from idlehands_monitor.session.session import Session
from idlehands_monitor.session.whatif import State
from idlehands_monitor.views.palette import contrast
from idlehands_monitor.views.sections.whatif import STOPPED
from idlehands_monitor.views.terminal.app import Dashboard
from idlehands_monitor.views.terminal.lower_line import HINTS, lower_line
from idlehands_monitor.views.terminal.whatif_rows import (
    INK_STYLES,
    Asked,
    Room,
    answer_rows,
    sheet_rows,
    side_by_side,
    state_rows,
)
from idlehands_monitor.views.terminal.whatif_sheet import WhatIfSheet

SIZES = [(80, 24), (120, 40), (200, 60)]


class FakeWhatIf:
    """The session's part: a state that a test sets, and what was asked of it."""

    def __init__(self, state="idle", held=None, refusal=""):
        self.state = State(state)
        self.reading = held
        self.progress = 0.0
        self.refusal = refusal
        self.calls = []
        self.coming = None

    def look(self):
        if self.coming is not None:
            self.state, self.progress, self.reading = State.DONE, 1.0, self.coming
            self.coming = None

    def ask(self):
        self.calls.append("ask")
        self.state, self.progress = State.RUNNING, 0.25

    def cancel(self):
        self.calls.append("cancel")
        self.state = State.IDLE

    def end(self, held):
        self.coming = held


def drive(test, fake, size=(120, 40), seen=None):
    """Run a dashboard whose session has a fake what-if, and let `test` drive it."""

    async def run():
        session = Session(StillFeed(seen or reading()))
        session.what_if = fake
        app = Dashboard(session)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await test(app, pilot)

    asyncio.run(run())


def written(rows):
    return ["".join(text for text, _ in row) for row in rows]


# -- what it asks of its session -------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_i_opens_the_sheet_asks_and_shows_the_answers_when_they_come(size):
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        await shown(app, pilot, "25 % simulated; esc stops it")
        assert fake.calls == ["ask"]
        fake.end(what_if())
        for words in (
            "Pool kiln (1 of 3): batch: all tasks are there at first",
            "recorded: 11.2 s; simulated as it was: 10.9 s; error 2.7 %",
            "Best: use 8 workers.",
            "5.80 s (5.68–5.92)",
            "+47 % ± 2",
        ):
            await shown(app, pilot, words)
        assert "simulated; esc" not in screen_text(app)

    drive(test, fake, size)


def test_answers_are_asked_for_anew_whenever_the_sheet_opens_and_the_old_ones_are_called_so():
    fake = FakeWhatIf("done", what_if())

    async def test(app, pilot):
        await pilot.press("i")
        await shown(app, pilot, "Best: use 8 workers.")
        assert fake.calls == ["ask"]
        assert "Below stand the answers of the time before" in screen_text(app)
        fake.end(what_if(batch(name="loom")))
        await shown(app, pilot, "Pool loom: ")
        assert "of the time before" not in screen_text(app)

    drive(test, fake)


@pytest.mark.parametrize("key", ["escape", "i", "q"])
def test_closing_the_sheet_stops_what_is_being_simulated(key):
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        await shown(app, pilot, "What a change would gain")
        await pilot.press(key)
        await pilot.pause()
        assert not isinstance(app.screen, WhatIfSheet)
        assert fake.calls == ["ask", "cancel"]

    drive(test, fake)


def test_closing_the_sheet_with_answers_stops_nothing():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if())
        await shown(app, pilot, "Best: use 8 workers.")
        await pilot.press("escape")
        await pilot.pause()
        assert fake.calls == ["ask"]

    drive(test, fake)


def test_r_simulates_again_and_not_while_that_is_under_way():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i", "r")
        await pilot.pause()
        assert fake.calls == ["ask"]
        fake.end(what_if())
        await shown(app, pilot, "Best: use 8 workers.")
        await pilot.press("r")
        await pilot.pause()
        assert fake.calls == ["ask", "ask"]

    drive(test, fake)


def test_a_refused_question_shows_its_reason_and_no_older_answers():
    fake = FakeWhatIf("done", what_if())

    async def test(app, pilot):
        await pilot.press("i")
        fake.state, fake.refusal = State.REFUSED, "no task of pool kiln has ended"
        await shown(app, pilot, "No answers: no task of pool kiln has ended")
        assert "Best: use 8 workers." not in screen_text(app)

    drive(test, fake)


def test_a_process_without_a_probe_gets_a_line_that_nothing_can_be_simulated():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        await shown(app, pilot, "no task has been recorded that could be simulated")
        assert not isinstance(app.screen, WhatIfSheet)
        assert fake.calls == []

    drive(test, fake, seen=external_reading())


# -- keys ------------------------------------------------------------------------------------------


def test_up_and_down_choose_an_answer_and_show_what_it_assumes():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if())
        await shown(app, pilot, "› use 8 workers")
        assert "- further workers are as fast as the present ones" in screen_text(app)
        await pilot.press("down")
        await shown(app, pilot, "› run the tasks in processes")
        assert "- further workers" not in screen_text(app)
        await pilot.press("up", "up")
        await shown(app, pilot, "› use 8 workers")

    drive(test, fake)


def test_the_chosen_answer_stays_in_sight_and_past_the_last_one_the_rest_scrolls():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if())
        await shown(app, pilot, "› use 8 workers")
        await pilot.press("end")
        await shown(app, pilot, "› make pieces 2 times as large")
        await pilot.press("pagedown", "pagedown")
        await shown(app, pilot, "time to the end")
        await pilot.press(*["down"] * 40)
        await shown(app, pilot, "the lock that tasks wait for is not named")
        await pilot.press("home")
        await shown(app, pilot, "› use 8 workers")

    drive(test, fake, (80, 24))


@pytest.mark.parametrize(("there", "back"), [("tab", "shift+tab"), ("p", "shift+tab")])
def test_tab_goes_through_the_pools_and_round(there, back):
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if())
        for name in ("kiln (1 of 3)", "ferry bookings (2 of 3)", "loom (3 of 3)", "kiln (1 of 3)"):
            await shown(app, pilot, f"Pool {name}")
            await pilot.press(there)
        await pilot.press(back)
        await shown(app, pilot, "Pool kiln (1 of 3)")
        await pilot.press("down", back)
        await shown(app, pilot, "Pool loom (3 of 3)")
        assert "No answers: the simulation of the run as it was is 34 % off" in screen_text(app)

    drive(test, fake)


def test_the_sheet_begins_with_the_pool_of_the_dashboard():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if(batch(), batch(name="scripted"), refused()))
        await shown(app, pilot, "Pool scripted (2 of 3)")

    drive(test, fake)


def test_fewer_pools_than_before_are_no_error():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if())
        await shown(app, pilot, "Pool kiln (1 of 3)")
        await pilot.press("shift+tab", "shift+tab", "down")
        fake.end(what_if(batch(answers=())))
        await shown(app, pilot, "recorded: 11.2 s")
        await pilot.press("down", "up", "tab")
        fake.end(what_if(batch()))
        await shown(app, pilot, "use 8 workers")

    drive(test, fake)


def test_the_rows_are_laid_out_anew_for_another_size():
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if())
        await shown(app, pilot, "Over numbers of workers")
        assert "Over numbers" not in next(
            line for line in screen_text(app).splitlines() if "What changes" in line
        )
        await pilot.resize_terminal(200, 60)
        await shown(app, pilot, "32 simulated runs                        Over numbers of workers")

    drive(test, fake)


# -- the rows --------------------------------------------------------------------------------------


def done(*pools, **changes):
    return Asked(State.DONE, 1.0, what_if(*pools, **changes))


@pytest.mark.parametrize("pool", [batch(), open_pool(), refused()])
@pytest.mark.parametrize("cells", [70, 110, 186])
def test_no_row_is_wider_than_the_sheet(pool, cells):
    rows = sheet_rows(done(pool), 0, 0, Room(cells, 24)).rows
    assert max(cell_len(text) for text in written(rows)) <= cells


def test_the_chosen_rows_are_those_with_the_mark():
    for cursor in range(7):
        found = sheet_rows(done(batch()), 0, cursor, Room(70, 24))
        lines = written(found.rows)
        marked = [y for y, line in enumerate(lines) if line.startswith("› ")]
        assert marked == [found.chosen.start]
        reversed_rows = [y for y, row in enumerate(found.rows) if row and _is_reverse(row)]
        assert reversed_rows == list(found.chosen)


def _is_reverse(row):
    return all(style is not None and style.reverse for _, style in row)


def test_an_answer_that_assumes_nothing_more_says_so():
    rows, _ = answer_rows(batch(answers=(answer((KindTime("fire", 0.5),), 5.0, 0.5, ()),)), 0, 70)
    assert "assumes  - nothing beyond what is assumed of the run" in written(rows)


def test_where_there_is_room_the_curve_stands_beside_the_answers():
    wide = written(sheet_rows(done(batch()), 0, 0, Room(186, 60)).rows)
    assert any(re.search("run on 4 cores.*[│┤]", line) for line in wide)
    narrow = written(sheet_rows(done(batch()), 0, 0, Room(110, 60)).rows)
    assert not any(re.search("run on 4 cores.*[│┤]", line) for line in narrow)


def test_rows_at_the_right_begin_at_one_cell_whatever_is_at_the_left():
    rows = side_by_side([[("窯", None)], [], [("ab", None)]], [[("x", None)], [("y", None)]], 4)
    assert written(rows) == ["窯  x", "    y", "ab"]


def test_stopped_and_idle_questions_say_so():
    stopped = replace(done(batch(), whole=False))
    assert STOPPED in " ".join(written(state_rows(stopped, 110)))
    assert written(state_rows(Asked(State.IDLE), 70)) == ["Nothing is being simulated; r begins"]
    assert state_rows(done(batch()), 70) == []


def test_nothing_that_a_terminal_obeys_reaches_the_screen():
    pool = batch(
        name=HOSTILE,
        kind=HOSTILE,
        notes=(HOSTILE,),
        answers=(answer((KindTime(HOSTILE, 0.5),), 5.0, 0.5, (HOSTILE,)),),
    )
    fake = FakeWhatIf()

    async def test(app, pilot):
        await pilot.press("i")
        fake.end(what_if(pool))
        await shown(app, pilot, "Best: make tasks of ev")
        assert "\x1b" not in screen_text(app)
        assert "[bold]x[/] <b>&" in screen_text(app)

    drive(test, fake, (200, 60))


def test_each_part_of_the_curve_has_a_colour_that_shows_on_the_dark_ground():
    colours = [style.color.name for style in INK_STYLES.values()]
    assert min(contrast(colour, "#1e1e1e") for colour in colours) >= 3


# -- the lowest line -------------------------------------------------------------------------------


def test_the_lowest_line_names_the_key_and_leaves_out_what_does_not_fit():
    async def test(app, _pilot):
        assert "i what if" in screen_text(app).splitlines()[-1]

    drive(test, FakeWhatIf(), (80, 24))
    (pool,) = reading().pools
    two = replace(reading(), pools=(pool, pool))
    notices = Session(StillFeed(two)).notices
    line = lower_line(two, notices, HINTS, 78).plain
    assert cell_len(line) <= 78
    assert line.startswith("q quit · ")
    assert line.endswith("· i what if · ? keys · p pool")
