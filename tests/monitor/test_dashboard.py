"""The dashboard driven headless: what each key does, what each state shows."""

from __future__ import annotations

import asyncio
import re
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest
from readings import HOSTILE, reading
from rich.style import Style

from helpers import DEADLINE_SECONDS
from idlehands_monitor.analysis.verdicts.findings import CAUSES, findings
from idlehands_monitor.ingest.capture import CaptureError
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.blocked import BlockedReading, WaitReading
from idlehands_monitor.model.tasks import HandOverReading
from idlehands_monitor.model.worker_time import WorkerTime
from idlehands_monitor.session.machine import MACHINE
from idlehands_monitor.session.session import Session
from idlehands_monitor.views.grid import steal_sentence
from idlehands_monitor.views.html import render
from idlehands_monitor.views.terminal.app import Dashboard
from idlehands_monitor.views.terminal.header import (
    blocked_phrase,
    flow,
    headline_text,
    legend_rows,
    wrap,
)
from idlehands_monitor.views.terminal.matrix import MatrixView
from idlehands_monitor.views.terminal.matrix_cells import cell_width
from idlehands_monitor.views.terminal.room import lower_height
from idlehands_monitor.views.terminal.scheduler_screen import promise_text
from idlehands_monitor.views.terminal.strips import Ground, line, style
from idlehands_monitor.views.terminal.worker_screen import WorkerScreen
from idlehands_monitor.views.terminal.workers import WorkersView
from idlehands_monitor.views.text import explain


class StillSource:
    """A source whose status is set and which remembers what it was told."""

    target = "scripted"

    def __init__(self, state="live", note=""):
        self.status = SimpleNamespace(state=state, note=note, warning="")
        self.paused = False
        self.captures = []
        self.fails = ""

    def portions(self):
        return []

    def pause(self, paused):
        self.paused = paused

    def start_capture(self, path):
        if self.fails:
            raise CaptureError(self.fails)
        self.captures.append(path)

    def stop_capture(self):
        return self.captures[-1]


class StillFeed:
    """A feed with one reading."""

    def __init__(self, shown, source=None):
        self.shown = shown
        self.source = source or StillSource()
        self.ledger = Ledger()

    def update(self):
        return False

    def reading(self, *, fresh=True):
        return self.shown


def drive(test, shown=None, size=(120, 36), source=None, machine=MACHINE):
    """Run a dashboard over a still feed and let `test` drive it."""

    async def run():
        app = Dashboard(Session(StillFeed(shown or reading(), source), machine))
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await test(app, pilot)

    asyncio.run(run())


def screen_text(app):
    """Return what is on the screen, a line each."""
    width, height = app.size
    strips = app.screen._compositor.render_strips()
    lines = ["".join(segment.text for segment in strip) for strip in strips]
    assert len(lines) == height
    assert all(len(line) == width for line in lines)
    return "\n".join(lines)


async def shown(app, pilot, text):
    """Wait until some text is on the screen; fail when it is not by the deadline."""
    deadline = time.monotonic() + DEADLINE_SECONDS
    while text not in screen_text(app):
        assert time.monotonic() < deadline, f"{text!r} did not come"
        await pilot.pause(0.02)


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
def test_everything_of_importance_is_on_the_screen_at_every_size(size):
    async def test(app, pilot):
        shown = screen_text(app)
        for words in (
            "scripted · 4 workers",
            "live",
            "working 23 %",
            "starved",
            "no work",
            "worker-seconds",
            "Try:",
            "deque",
            "thief ↓ victim →",
            "q quit",
        ):
            assert words in shown, words

    drive(test, size=size)


def test_the_lower_part_is_there_only_where_there_is_room():
    assert lower_height(24, 8) == 0
    assert lower_height(36, 8) >= 7
    assert lower_height(60, 256) > 0


@pytest.mark.parametrize("key", ["q", "ctrl+c"])
def test_q_and_ctrl_c_quit(key):
    async def test(app, pilot):
        await pilot.press(key)
        assert not app.is_running or app._exit

    drive(test)


def test_space_pauses_the_screen_and_says_so():
    async def test(app, pilot):
        await pilot.press("space")
        assert "live, paused" in screen_text(app)
        app.session.feed.shown = reading(workers=2)
        await pilot.pause(0.6)
        assert "4 workers" in screen_text(app)
        await pilot.press("space")
        await shown(app, pilot, "2 workers")

    drive(test)


def test_c_begins_a_capture_and_c_again_ends_it():
    source = StillSource()

    async def test(app, pilot):
        await pilot.press("c")
        await shown(app, pilot, "capturing to")
        assert len(source.captures) == 1
        await pilot.press("c")
        await shown(app, pilot, "wrote idlehands-")

    drive(test, source=source)


def test_a_capture_that_fails_is_a_line_on_the_screen():
    source = StillSource()
    source.fails = "a.idlehands: No space left on device"

    async def test(app, pilot):
        await pilot.press("c")
        await pilot.pause()
        assert "No space left on device" in screen_text(app)

    drive(test, source=source)


def test_arrow_keys_choose_a_worker_and_enter_opens_it():
    async def test(app, pilot):
        await pilot.press("down", "down", "up", "down")
        assert app.query_one(WorkersView).cursor == 2
        await pilot.press("enter")
        await pilot.pause()
        assert isinstance(app.screen, WorkerScreen)
        shown = screen_text(app)
        assert "Worker 2 of scripted" in shown
        assert "no work" in shown
        await pilot.press("q")
        await pilot.pause()
        assert not isinstance(app.screen, WorkerScreen)
        assert app.is_running

    drive(test, reading(state="ended"))


def test_an_ended_process_has_no_stack_and_the_screen_says_so():
    async def test(app, pilot):
        await pilot.press("enter")
        await shown(app, pilot, "only a running process has one")

    drive(test, reading(state="ended"))


def test_a_process_that_is_gone_gives_a_line_instead_of_a_stack():
    async def test(app, pilot):
        await pilot.press("enter")
        for _ in range(100):
            await pilot.pause(0.05)
            if "Stack:" in screen_text(app):
                break
        shown = " ".join(screen_text(app).split())
        assert "process 4194305 has ended" in shown or "py-spy is not installed" in shown

    drive(test, reading(pid=4194305))  # over the kernel's largest process id


def test_tab_moves_to_the_matrix_and_arrows_give_the_value_under_the_cursor():
    async def test(app, pilot):
        await pilot.press("tab", "right", "down")
        matrix = app.query_one(MatrixView)
        assert (matrix.thief, matrix.victim) == (1, 2)
        assert "10 of 20 attempts" in screen_text(app)

    drive(test)


def test_the_matrix_cursor_stays_inside():
    async def test(app, pilot):
        await pilot.press("tab", "left", "up", "end", "right", "pagedown", "down")
        matrix = app.query_one(MatrixView)
        assert (matrix.thief, matrix.victim) == (3, 3)
        assert "does not steal from itself" in screen_text(app)

    drive(test)


def test_the_cursor_of_a_large_pool_is_kept_in_sight():
    async def test(app, pilot):
        await pilot.press("end")
        await pilot.pause()
        assert "255" in screen_text(app)
        await pilot.press("tab", "g", "end", "pagedown", *(["pagedown"] * 30))
        await pilot.pause()
        matrix = app.query_one(MatrixView)
        assert (matrix.thief, matrix.victim) == (255, 255)
        shown = screen_text(app)
        assert re.search(r" 255 [^·]*·", shown)
        assert "255 does not steal from itself" in shown

    drive(test, reading(workers=256), size=(120, 40))


@pytest.mark.parametrize(
    ("state", "note"),
    [
        ("connecting", "looking for scripted"),
        ("live", ""),
        ("stalled", "process 4711 has sent nothing for 3 s"),
        ("ended", "process 4711 was killed or crashed"),
        ("replay", "3 s played, at 1×"),
    ],
)
def test_each_state_is_distinguished_by_its_text(state, note):
    async def test(app, pilot):
        shown = screen_text(app)
        assert f" {state} " in shown.splitlines()[0]
        assert note in shown

    drive(test, reading(state=state, note=note), source=StillSource(state, note))


def test_before_the_first_figures_the_screen_says_what_it_waits_for():
    async def test(app, pilot):
        assert "looking for scripted" in screen_text(app)

    drive(test, replace(reading(state="connecting", note="looking for scripted"), pools=()))


def test_foreign_text_reaches_the_screen_without_markup_or_control():
    base = reading(note=HOSTILE)
    pool = base.pools[0]
    workers = tuple(replace(w, name=HOSTILE, doing=HOSTILE) for w in pool.workers)
    shown = replace(base, pools=(replace(pool, name=HOSTILE, workers=workers),))

    async def test(app, pilot):
        text = screen_text(app)
        assert "\x1b" not in text
        assert "[bold]x[/]" in text  # shown as it is, not obeyed

    drive(test, shown)


def test_without_colours_the_matrix_has_a_glyph_for_each_step(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")

    async def test(app, pilot):
        assert app.query_one(MatrixView).dense
        assert "..::--==++**##@@" in screen_text(app)

    drive(test)


def colours(view, y):
    """The colours of the text of a view's line, as red, green and blue."""
    styles = [segment.style for segment in view.render_lines(view.size.region)[y] if segment.style]
    return {tuple(style.color.triplet) for style in styles if style.color and style.color.triplet}


@pytest.mark.parametrize("bare", [False, True])
def test_a_workers_row_has_the_colours_of_its_categories_and_none_where_none_are_wanted(
    monkeypatch, bare
):
    if bare:
        monkeypatch.setenv("NO_COLOR", "1")

    async def test(app, pilot):
        found = colours(app.query_one(WorkersView), 1)
        assert len(found) > 1
        assert all(red == green == blue for red, green, blue in found) == bare

    drive(test)


def test_hand_overs_of_a_pool_of_one_queue_are_on_their_own_screen_under_that_name():
    base = reading()
    matrix = ((31, 32, 33, 34), (0, 0, 0, 0), (0, 0, 77, 0), (0, 0, 0, 0), (0, 0, 0, 0))
    kind = {"kind": "one queue", "stealing": None}
    pool = replace(base.pools[0], **kind, hand_overs=HandOverReading(matrix))

    async def test(app, pilot):
        assert "submitter ↓" not in screen_text(app)
        await pilot.press("t")
        await shown(app, pilot, "submitter ↓")
        assert "thief" not in screen_text(app)
        app.screen.query_one(MatrixView).focus()
        await pilot.press("n", "up", "left")
        await shown(app, pilot, "out    31")
        await pilot.press("down", "down", "right", "right")
        assert "77" in screen_text(app)

    drive(test, replace(base, pools=(pool,)))


def test_p_shows_the_next_pool_of_the_process():
    base = reading()
    shown = replace(base, pools=(base.pools[0], replace(base.pools[0], name="second")))

    async def test(app, pilot):
        assert "p pool" in screen_text(app)
        await pilot.press("p")
        await pilot.pause()
        assert "second (2 of 2) · 4 workers" in screen_text(app)

    drive(test, shown)


def test_the_legend_fits_eighty_cells_whole():
    pool = reading().pools[0]
    for row in legend_rows(pool.time, 80):
        text = "".join(part for part, _ in row)
        assert len(text.rstrip()) <= 80
        assert "…" not in text


def two_pools(**changes):
    """Return a reading of two pools, the first of them changed."""
    one = reading()
    (pool,) = one.pools
    return replace(one, pools=(replace(pool, **changes), replace(pool, name="second")))


def test_the_first_line_says_which_of_several_pools_is_shown():
    async def test(app, pilot):
        assert "scripted (1 of 2) · 4 workers" in screen_text(app)
        await pilot.press("p")
        await shown(app, pilot, "second (2 of 2) · 4 workers")

    drive(test, two_pools(), size=(80, 24))


def test_tasks_that_another_pool_took_are_on_a_narrow_screen_and_in_every_report():
    tasks = replace(reading().pools[0].tasks, moved=49)
    crossed = two_pools(tasks=tasks)

    async def test(app, pilot):
        assert "49 taken by another pool" in screen_text(app)
        await pilot.press("p")
        await shown(app, pilot, "second")
        assert "taken by another pool" not in screen_text(app)

    drive(test, crossed, size=(80, 24))
    for report in (explain(crossed), render(crossed)):
        assert report.count("49 taken by another pool") == 1


@pytest.mark.parametrize("advice", ["Split it.", "Split the work, and then again. " * 20])
def test_advice_that_does_not_fit_ends_in_dots(advice):
    finding = replace(reading().pools[0].findings[0], sentence="It waits.", advice=advice)

    async def test(app, _pilot):
        lines = screen_text(app).splitlines()
        begin = next(y for y, line in enumerate(lines) if "It waits." in line)
        assert lines[begin + 3].rstrip().endswith("…") == (len(advice) > 100)

    drive(test, two_pools(findings=(finding,)), size=(80, 18))


def test_a_paused_screen_that_becomes_narrow_shows_its_headline_whole():
    finding = replace(reading().pools[0].findings[0], sentence=f"It {'waits and ' * 12}endshere")

    async def test(app, pilot):
        await pilot.press("space")
        await pilot.resize_terminal(80, 30)
        await shown(app, pilot, "endshere")
        assert "It waits and waits" in screen_text(app)
        words = " ".join(screen_text(app).split())
        assert "waits and " * 12 + "endshere" in words

    drive(test, two_pools(findings=(finding,)), size=(150, 30))


@pytest.mark.parametrize("lines", [18, 24, 30])
def test_a_screen_with_room_shows_a_longer_headline_whole(lines):
    advice = f"{'Split the work, and then again. ' * 10}So it ends"
    finding = replace(reading().pools[0].findings[0], sentence="It waits.", advice=advice)

    async def test(app, _pilot):
        assert ("So it ends." in screen_text(app)) == (lines > 18)
        assert "idle" in screen_text(app), "the workers are below it"

    drive(test, two_pools(findings=(finding,)), size=(100, lines))


def test_without_a_finding_the_headline_is_plain_text():
    pool = reading().pools[0]
    assert headline_text(None, "looking")[0] == "looking"
    working = replace(pool, findings=(), time=WorkerTime(working=10**9))
    assert "No finding" in headline_text(working, "")[0]
    waking = replace(pool, findings=(), time=WorkerTime(working=10**9, waking=10**9))
    assert "beside work, waking takes most: 50 %" in headline_text(waking, "")[0]
    assert "Too little" in headline_text(replace(pool, findings=(), window_s=0.2), "")[0]


def test_cell_widths_keep_numbers_readable_and_large_pools_narrow():
    assert cell_width(8, 29) == 3
    assert cell_width(8, 60) == 6
    assert cell_width(256, 60) == 2


def test_the_value_under_the_cursor_is_a_sentence():
    steals, one, other = reading().pools[0].steals, range(1), range(2, 3)
    assert steal_sentence(steals, one, other) == (
        "thief 0 made 20 attempts at victim 2: 10 hits (50%), 10 found none, 0 lost the race"
    )
    short = "0 ← 2: 10 of 20 attempts; 10 empty, 0 lost races"
    assert steal_sentence(steals, one, other, short=True) == short


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.code)
def test_every_headline_and_its_advice_fit_four_lines_of_eighty_cells(cause):
    category = {
        "starved-beside-work": "starved",
        "too-little-parallelism": "no_work",
        "long-searches": "searching",
        "blocked-in-task": "blocked",
        "interpreter-lock": "blocked",
        "stranded-in-other-pool": "no_work",
    }[cause.code]
    sort = "interpreter lock" if cause.code == "interpreter-lock" else "child process"
    waits = (WaitReading(sort, 10**4, 0.0, 0.0),)
    blocked = BlockedReading(0.0, 0.0, waits, 100, 0.0, one_core=False)
    idle = 10.0**13 if cause.code == "stranded-in-other-pool" else 0.0
    time = WorkerTime(**{category: 10**13})
    (finding,) = findings(time, 1000, 10.0, blocked=blocked, stranded_ns=idle)
    assert finding.code == cause.code
    lines = wrap(finding.sentence, 78) + wrap(f"Try: {finding.advice}", 78)
    assert len(lines) <= 4, lines


def test_the_second_line_says_what_most_of_the_blocked_time_waited_for():
    pool = reading().pools[0]
    waits = (WaitReading("sleep", 12.0, 10.0, 14.0), WaitReading("lock", 3.0, 2.0, 4.0))
    blocked = BlockedReading(1.0, 0.0, waits, 100, 0.0, one_core=False)
    much = replace(pool, blocked=blocked, time=WorkerTime(working=24 * 10**9, blocked=16 * 10**9))
    assert "blocked by sleep for 30 % of worker time" in flow(much)
    little = replace(much, time=WorkerTime(working=39 * 10**9, blocked=10**9))
    assert not any("blocked" in fact for fact in flow(little))


def test_s_opens_what_the_scheduler_promises_and_s_closes_it():
    async def test(app, pilot):
        await pilot.press("s")
        await shown(app, pilot, "What the scheduler of scripted promises")
        screen = screen_text(app)
        assert "workers park only when the whole pool is empty" in screen
        assert "· unknown" in screen
        await pilot.press("s")
        await pilot.pause()
        assert "What the scheduler" not in screen_text(app)
        assert app.is_running

    drive(test)


def test_only_workers_whose_row_has_changed_are_drawn_again(monkeypatch):
    async def test(app, pilot):
        view = app.parts.workers
        pool = app._last.pools[0]
        view.show(pool)
        drawn = []
        monkeypatch.setattr(view, "refresh", lambda *regions, **_: drawn.append(regions))
        view.show(pool)
        assert drawn == []
        workers = list(pool.workers)
        workers[2] = replace(workers[2], depth=workers[2].depth + 7)
        view.show(replace(pool, workers=tuple(workers)))
        assert [(region.y, region.height) for (region,) in drawn] == [(3, 1)]

    drive(test)


def test_neighbours_that_look_alike_are_one_segment():
    bold = style(bold=True)
    strip = line(
        [("a", None), ("b", None), ("c", bold), ("d", bold), ("", None)], 6, Ground(Style())
    )
    assert [segment.text for segment in strip][:2] == ["ab", "cd"]
    assert strip.text == "abcd  "


def test_a_screen_that_is_held_still_can_say_what_the_scheduler_promises():
    async def test(app, pilot):
        await pilot.press("space", "s")
        await shown(app, pilot, "What the scheduler of scripted promises")
        assert "workers park only when the whole pool is empty" in screen_text(app)

    drive(test)


def test_a_broken_promise_says_what_it_is_for_and_when_it_was_broken():
    pool = reading().pools[0]
    broken = replace(
        pool.promises[0],
        verdict="broken",
        evidence="broken in 3 of 40",
        timestamps_ns=(pool.begin_ns + 1_500_000_000,),
    )
    written = promise_text(pool, broken).plain
    assert "✗ broken  workers park only" in written
    assert broken.purpose in written
    assert "first broken 1.500 s into the window" in written
    assert broken.source in written


def test_blocked_time_of_rows_that_come_to_no_time_at_all_is_drawn():
    (pool,) = reading().pools
    waited = BlockedReading(0.0, 0.0, (), 0, 5e-9, one_core=False)
    odd = replace(pool, time=WorkerTime(blocked=5, dispatch=-5), blocked=waited)
    assert blocked_phrase(odd).startswith("blocked by an unknown cause")
