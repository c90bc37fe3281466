"""Marks: set while a job runs, kept in its capture, found again in its replay."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace

import pytest
from readings import HOSTILE, reading
from test_dashboard import StillSource, drive, screen_text, shown
from test_run_times import CLOCK
from test_seek import SECOND, WINDOW_NS, capture, replaying
from test_session import HELLO, Blocks, Stream, session

from histories import History, frames, take_in
from idlehands.wire import encode
from idlehands_monitor.ingest import checked_frames, limits
from idlehands_monitor.ingest.capture import CaptureReader, CaptureWriter
from idlehands_monitor.ingest.intake import Intake
from idlehands_monitor.ingest.intake import made as pieces_of
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.run_clock import MarkReading
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.session.seek import landmarks
from idlehands_monitor.session.session import MARKS_WHILE_RECORDING, MARKS_WHILE_RUNNING

__all__ = ["capture"]


def mark(at_ns, note="deploy"):
    return {"frame": "mark", "at_ns": at_ns, "note": note}


# -- the frame -----------------------------------------------------------------------------------


def test_a_note_is_cut_at_its_limit_and_marks_are_bounded():
    (found,) = checked_frames(mark(5, "n" * 9999))
    assert found["note"] == "n" * limits.NOTE_LETTERS
    ledger = Ledger()
    take_in(ledger, *(mark(5000 - n) for n in range(limits.MARKS + 3)))
    assert len(ledger.marks) == limits.MARKS
    assert [one.at_ns for one in ledger.marks] == sorted(one.at_ns for one in ledger.marks)
    assert ledger.skipped["frames of mark", f"more than {limits.MARKS:,} marks"] == 3


@pytest.mark.parametrize(
    "wrong", [{"note": 5}, {"note": None}, {"at_ns": "now"}, {"at_ns": 2**60}, {"note": b"x"}]
)
def test_a_mark_that_is_none_is_left_out_and_counted(wrong):
    (found,) = checked_frames({**mark(5), **wrong})
    assert (found["frame"], found["what"]) == ("skipped", "frames of mark")


def test_a_reading_has_the_marks_inside_its_window():
    source = Stream()
    source.put(HELLO, *frames(History(1, 20 * SECOND)), mark(5 * SECOND, "before"))
    source.put(mark(12 * SECOND, "inside"), mark(25 * SECOND, "after"))
    held = session(source)
    held.update()
    assert held.reading().marks == (MarkReading(12 * SECOND, "inside"),)


# -- setting one ---------------------------------------------------------------------------------


def test_a_mark_is_of_the_moment_at_which_it_was_asked_for_and_says_whether_it_is_kept():
    source = Stream()
    source.put(HELLO, *frames(History(1, 20 * SECOND)))
    held = session(source)
    held.update()
    held.mark("  deploy begins ", 7 * SECOND)
    assert source.notes == [mark(7 * SECOND, "deploy begins")]
    assert held.notices.message == (
        "marked at 7.0 s of the run: deploy begins · c begins a capture that keeps it"
    )
    held.start_capture("all.idlehands", replace=False)
    held.mark("", 8 * SECOND)
    assert source.notes[1:] == [mark(8 * SECOND, "mark 2")]
    assert held.notices.message.endswith("mark 2 · kept in all.idlehands")
    held.mark("n" * 500, 9 * SECOND)
    assert source.notes[-1]["note"] == "n" * limits.NOTE_LETTERS


@pytest.mark.parametrize(
    ("source", "why"),
    [(Blocks([HELLO]), MARKS_WHILE_RECORDING), (Stream("ended"), MARKS_WHILE_RUNNING)],
    ids=["replay", "ended"],
)
def test_where_nothing_is_recorded_no_mark_is_set(source, why):
    held = session(source)
    held.mark("deploy", 5)
    assert source.notes == []
    assert held.notices.message == why


def test_a_mark_set_before_a_capture_begins_is_in_it(tmp_path):
    intake = Intake()
    for frame in (HELLO, *frames(History(1, 20 * SECOND)), mark(6 * SECOND)):
        intake.take(pieces_of(frame))
    path = str(tmp_path / "late.idlehands")
    intake.start_capture(path)
    intake.take(pieces_of(mark(7 * SECOND, "deploy ends")))
    intake.stop_capture()
    feed = Feed(ReplaySource(path), None, keep=True)
    feed.source.play_all()
    feed.update()
    assert [one.note for one in feed.reading().marks] == ["deploy", "deploy ends"]


class NotingSource(StillSource):
    """A live source that notes what is put into it."""

    def __init__(self):
        super().__init__()
        self.notes = []

    def note(self, frame):
        self.notes.append(frame)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_m_asks_for_a_note_and_enter_sets_the_mark(size, monkeypatch):
    source = NotingSource()
    monkeypatch.setattr("test_dashboard.StillFeed.clock", None, raising=False)

    async def test(app, pilot):
        await pilot.press("m")
        await shown(app, pilot, "A mark at this moment")
        pressed_ns = app.session.now_ns
        await pilot.press(*"quit now?", "enter")
        await shown(app, pilot, "marked: quit now? · c begins a capture that keeps it")
        (noted,) = source.notes
        assert noted["note"] == "quit now?"
        assert noted["at_ns"] <= pressed_ns
        await pilot.press("m")
        await shown(app, pilot, "A mark at this moment")
        await pilot.press("escape")
        await pilot.pause()
        assert "A mark at this moment" not in screen_text(app)
        assert len(source.notes) == 1

    drive(test, source=source, size=size)


def test_the_screen_shows_the_last_mark_of_its_window_and_obeys_nothing_in_it():
    async def test(app, pilot):
        await shown(app, pilot, "◆ 3.0 s: ev")
        assert "\x1b" not in screen_text(app)

    marks = (MarkReading(2 * SECOND, "first"), MarkReading(3 * SECOND, HOSTILE))
    drive(test, shown=replace(reading(clock=CLOCK), marks=marks))


# -- going to one --------------------------------------------------------------------------------


@pytest.fixture
def marked(tmp_path, capture):
    """The capture of `test_seek`, marks at 12 and 21 seconds in it."""
    path = tmp_path / "marked.idlehands"
    writer = CaptureWriter(path)
    for block in CaptureReader(capture):
        writer.add(block.at_ns, block.frames)
        for at_s, note in ((12, "deploy begins"), (21, "deploy ends")):
            if block.at_ns - SECOND // 2 < at_s * SECOND <= block.at_ns:
                writer.add(block.at_ns, encode(mark(at_s * SECOND, note)))
        writer.flush()
    writer.close()
    return str(path)


def test_landmarks_are_marks_findings_and_broken_promises(marked):
    found = landmarks(ReplaySource(marked), WINDOW_NS)
    assert [one.note for one in found.marks] == ["deploy begins", "deploy ends"]
    assert found.broken[0, "parks-when-empty"]
    for stretch in found.findings:
        assert 0 < stretch.at_ns <= stretch.end_ns <= 40 * SECOND
    assert "long-searches" not in {stretch.code for stretch in found.findings}


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_l_lists_the_places_of_a_capture_and_enter_goes_there(marked, size):
    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        await pilot.press("l")
        await shown(app, pilot, "deploy ends")
        listed = re.findall(r"(\d+\.\d\d) s +mark +(deploy \w+)", screen_text(app))
        assert listed == [("12.00", "deploy begins"), ("21.00", "deploy ends")]
        sheet = app.screen
        sheet.action_move(-1000)
        every = sheet._every
        await pilot.press(*["down"] * [one.what for one in every].index("deploy begins"), "enter")
        await shown(app, pilot, "12.00 s of the run, mark 1 of 2: deploy begins")
        assert app.pool.end_ns == 12 * SECOND
        await pilot.press("j")
        await shown(app, pilot, "21.00 s of the run, mark 2 of 2: deploy ends")
        await pilot.press("b")
        await shown(app, pilot, "mark 1 of 2")

    replaying(marked, test, size)


def test_what_is_typed_is_a_time_or_a_mark_to_go_to(marked):
    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        for typed, arrives in (("33.3s", 33.3), ("ends", 21.0), ("5", 5.0)):
            await pilot.press("l")
            await shown(app, pilot, "Go to")
            await pilot.press(*typed, "enter")
            await shown(app, pilot, f"{arrives:.2f} s of the run")
            assert 0 <= app.pool.end_ns / SECOND - arrives < 0.1
        await pilot.press("l")
        await shown(app, pilot, "Go to")
        await pilot.press(*"lunch", "enter")
        await pilot.press("escape")
        await shown(app, pilot, "'lunch' is neither a time nor the note of a mark")

    replaying(marked, test)


def test_comma_and_full_stop_go_a_second_back_and_on(marked):
    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        await pilot.press("l")
        await shown(app, pilot, "Go to")
        await pilot.press(*"20s", "enter")
        await shown(app, pilot, "20.00 s of the run")
        for key, end_s in ((",", 19), (",", 18), (".", 19), ("<", 9), (">", 19), (".", 20)):
            before = app.pool.end_ns
            await pilot.press(key)
            async with asyncio.timeout(20):
                while app.pool.end_ns == before:
                    await pilot.pause(0.01)
            assert app.pool.end_ns == end_s * SECOND
            assert "replay, paused" in screen_text(app)

    replaying(marked, test)


def test_plus_and_minus_change_how_fast_a_replay_plays(marked):
    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        assert app.session.feed.source.speed == 2.0
        await pilot.press("+")
        await shown(app, pilot, "plays at 4×")
        await pilot.press("-", "-")
        await shown(app, pilot, "plays at 1×")
        await pilot.press(*"-" * 30)
        assert 0.01 <= app.session.feed.source.speed <= 0.02
        await pilot.press(*"+" * 60)
        assert 500 <= app.session.feed.source.speed <= 1000

    replaying(marked, test)


@pytest.mark.parametrize("key", ["l", ",", "+"])
def test_a_live_stream_has_no_places_to_go_to(key):
    async def test(app, pilot):
        await pilot.press(key)
        await shown(app, pilot, "only a replay goes to a moment: idlehands watch FILE")

    drive(test, source=StillSource())


def test_m_in_a_replay_says_when_marks_are_set(marked):
    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        await pilot.press("m")
        await shown(app, pilot, "not in its replay")

    replaying(marked, test)
