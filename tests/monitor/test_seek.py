"""Going to a moment of a capture: as if it had been played up to there, and no further."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from dataclasses import replace

import pytest
from readings import reading
from test_dashboard import StillSource, drive, screen_text, shown

from histories import History, Task, frames, levels_frame
from idlehands.wire import encode
from idlehands_monitor.analysis.assemble import read_pool
from idlehands_monitor.ingest.capture import CaptureWriter
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.session import jumps
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.session.seek import Stopped, feed_at, landmarks
from idlehands_monitor.session.session import Session
from idlehands_monitor.views.terminal.app import Dashboard
from idlehands_monitor.views.terminal.scheduler_screen import (
    Jump,
    PromiseSheet,
    opened_promise_text,
)

MS, SECOND = 1_000_000, 1_000_000_000
WINDOW_NS = 10 * SECOND
PARKS = "parks-when-empty"


class Clock:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


def whole(seconds):
    """Return a pool of two: worker 1 parks four times a second beside a queued task of worker 0."""
    history = History(2, seconds * SECOND)
    for number in range(4 * seconds):
        at = number * SECOND // 4
        history.tasks += [
            Task(2 * number, at, 0, at, at + 200 * MS),
            Task(2 * number + 1, at + 10 * MS, 0, at + 210 * MS, at + 240 * MS),
        ]
        history.idle_intervals.append((1, at + 50 * MS, at + 150 * MS, True, -1))
    return history


@pytest.fixture
def capture(tmp_path):
    """A capture of forty seconds in blocks of half a second, levels ten times a second."""
    history = whole(40)
    names, *rows, _ = frames(history, batch=1)
    hello = {"frame": "hello", "version": 1, "pid": 1, "argv0": "job.py", "python": "3.11"}

    def ended(frame):
        """Return when a frame of one row could be sent."""
        part = ended.seen.setdefault((frame["table"], frame["worker"]), -1) + 1
        ended.seen[frame["table"], frame["worker"]] = part
        times = {
            "tasks": lambda: sorted(task.ended for task in history.tasks)[part],
            "gaps": lambda: history.idle_intervals[part][2],
            "spawns": lambda: sorted(task.spawned for task in history.tasks)[part],
        }
        return times[frame["table"]]()

    ended.seen = {}
    timed = [(ended(frame), 0, frame) for frame in rows]
    for tenth in range(1, 401):
        at = tenth * SECOND // 10
        timed.append((at, 1, levels_frame(history, at_ns=at)))
    path = tmp_path / "forty.idlehands"
    writer = CaptureWriter(path)
    writer.add(0, encode(hello) + encode(names))
    for at, _, frame in sorted(timed, key=lambda one: one[:2]):
        writer.add(at, encode(frame))
    writer.close()
    return str(path)


def played(path, seconds, speed=1.0):
    """Return a feed that has been played for so long, a tenth of a second at a time."""
    clock = Clock()
    source = ReplaySource(path, speed, clock)
    feed = Feed(source, WINDOW_NS)
    for _ in range(round(seconds * 10)):
        clock.now += 0.1
        feed.update()
        feed.extend_history()
    return feed


# -- the feed ------------------------------------------------------------------------------------


@pytest.mark.parametrize("moment", [SECOND, 12_345 * MS, 39 * SECOND])
def test_the_window_ends_with_the_first_levels_at_or_after_the_moment(capture, moment):
    feed = feed_at(ReplaySource(capture), WINDOW_NS, 0, moment)
    (pool,) = feed.reading().pools
    assert moment <= pool.end_ns < moment + 100 * MS
    begin = max(0, pool.end_ns - WINDOW_NS)  # or the whole second nearest to it
    assert abs(pool.begin_ns - begin) <= SECOND // 2


def test_what_is_read_at_a_moment_is_what_the_whole_capture_says_of_that_window(capture):
    (pool,) = feed_at(ReplaySource(capture), WINDOW_NS, 0, 30 * SECOND).reading().pools
    source = ReplaySource(capture)
    source.play_all()
    everything = Feed(source, None, keep=True)
    everything.update()
    held = everything.ledger
    other = read_pool(held, held.pools[0], pool.begin_ns, pool.end_ns)
    assert pool.time == other.time
    assert pool.tasks.finished == other.tasks.finished == 80
    assert pool.promises[0] == other.promises[0]
    assert len(pool.history) == 29  # whole seconds, the last half of one not settled yet


def test_going_back_is_no_different_from_going_forward(capture):
    late = played(capture, 39)
    back = feed_at(late.source.again(), WINDOW_NS, 0, 12 * SECOND)
    forward = feed_at(played(capture, 3).source.again(), WINDOW_NS, 0, 12 * SECOND)
    (there,), (other,) = back.reading().pools, forward.reading().pools
    assert there.steals.counts.tolist() == other.steals.counts.tolist()
    assert replace(there, steals=other.steals) == other


def test_the_replay_stands_still_there_and_goes_on_from_there_without_loss(capture):
    clock = Clock()
    source = ReplaySource(capture, 1.0, clock)
    feed = feed_at(source.again(), WINDOW_NS, 0, 12_345 * MS)
    (before,) = feed.reading().pools
    clock.now += 5
    assert not feed.update()
    assert "12 s played" in feed.source.status.note
    feed.source.pause(False)
    clock.now += 2.0
    feed.update()
    (after,) = feed.reading().pools
    assert before.end_ns + SECOND <= after.end_ns <= before.end_ns + 2 * SECOND
    assert after.tasks.finished == pytest.approx(
        8 * after.window_s, abs=3
    )  # whole tasks, of its edges too
    assert (after.lost_rows, after.unrecorded_s) == (0, 0.0)


def test_a_moment_after_the_end_goes_to_the_end(capture):
    feed = feed_at(ReplaySource(capture), WINDOW_NS, 0, 99 * SECOND)
    assert feed.reading().pools[0].end_ns == 40 * SECOND


# -- when promises were broken -------------------------------------------------------------------


def test_broken_timestamps_come_from_every_part_of_a_capture_in_order(capture):
    timestamps = landmarks(ReplaySource(capture), WINDOW_NS).broken[0, PARKS]
    assert list(timestamps) == sorted(set(timestamps))
    assert timestamps[0] == 50 * MS
    assert {moment // WINDOW_NS for moment in timestamps} == {0, 1, 2, 3}
    parked = {idle_interval[1] for idle_interval in whole(40).idle_intervals}
    assert set(timestamps) <= parked


# -- on the screen -------------------------------------------------------------------------------


def replaying(path, test, size=(120, 36)):
    async def run():
        app = Dashboard(Session(Feed(ReplaySource(path, 2.0), WINDOW_NS)))
        async with app.run_test(size=size) as pilot:
            await shown(app, pilot, "replay")
            await shown(app, pilot, "workers")
            await test(app, pilot)

    asyncio.run(run())


def test_j_goes_through_the_moments_of_the_chosen_promise_one_after_the_other(capture):
    source = ReplaySource(capture)
    timestamps = landmarks(source.again(), WINDOW_NS).broken[0, PARKS]

    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        await pilot.press("s")
        await shown(app, pilot, "workers park only when the whole pool is empty")
        await pilot.press("j")
        for place, key in ((0, "j"), (1, "j"), (2, "b"), (1, "b")):
            where = f"{timestamps[place] / SECOND:.2f} s of the run"  # its pool is declared at 0
            place_text = f"moment {place + 1} of {len(timestamps)}"
            await shown(app, pilot, where)
            await shown(app, pilot, place_text)
            assert "replay, paused" in screen_text(app)
            pool = app.pool
            assert timestamps[place] <= pool.end_ns < timestamps[place] + 100 * MS
            await pilot.press(key)
        await shown(app, pilot, "moment 1 of")
        await pilot.press("space")
        await pilot.pause()
        assert "moment 1 of" not in screen_text(app)

    replaying(capture, test)


def test_a_promise_that_was_never_broken_has_no_moment_to_go_to(capture):
    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        await pilot.press("s", "down", "enter")
        await shown(app, pilot, "What it is for")
        await pilot.press("j", "escape", "escape")
        await shown(app, pilot, "not broken in this capture, or not judged: owners take")

    replaying(capture, test)


def test_j_without_a_promise_says_how_to_choose_one(capture):
    async def test(app, pilot):
        await pilot.press("j")
        await shown(app, pilot, "press s, choose a promise")

    replaying(capture, test)


def test_a_capture_that_has_gone_is_a_line_on_the_screen(capture):
    async def test(app, pilot):
        await shown(app, pilot, "tasks/s")
        os.unlink(capture)
        await pilot.press("s", "j")
        await pilot.press("escape")
        await shown(app, pilot, "No such file or directory")

    replaying(capture, test)


def test_a_live_stream_has_no_moments_to_go_to():
    async def test(app, pilot):
        await pilot.press("j")
        await shown(app, pilot, "only a replay goes to a moment: idlehands watch FILE")

    drive(test, source=StillSource())


# -- a promise whole -----------------------------------------------------------------------------


def promise_of(pool, **changes):
    return replace(pool.promises[0], **changes)


def test_the_cursor_chooses_a_promise_and_enter_opens_it():
    pool = reading().pools[0]

    async def test(app, pilot):
        await pilot.press("s")
        await shown(app, pilot, "up and down choose one")
        await pilot.press("down", "down", "up", "enter")
        await shown(app, pilot, pool.promises[1].what)
        assert isinstance(app.screen, PromiseSheet)
        screen = " ".join(screen_text(app).split())
        for words in ("What it is for", "Source", "Why it is not judged", pool.promises[1].source):
            assert words in screen
        await pilot.press("enter")
        await shown(app, pilot, "up and down choose one")

    drive(test)


def test_the_cursor_stays_on_the_promises_and_the_rest_scrolls():
    async def test(app, pilot):
        await pilot.press("s")
        await shown(app, pilot, "up and down choose one")
        await pilot.press(*["down"] * 20)
        await shown(app, pilot, "Choice of victims")
        last = len(app.pool.promises) - 1
        assert app.screen.cursor == last
        await pilot.press(*["up"] * 20)
        await shown(app, pilot, "up and down choose one")
        assert app.screen.cursor == 0

    drive(test, size=(80, 24))


def test_an_opened_promise_has_its_counts_its_effect_and_its_moments_as_ages():
    pool = reading().pools[0]
    timestamps = (pool.end_ns - 2_500 * MS, pool.end_ns - 300 * MS)
    broken = promise_of(
        pool,
        verdict="broken",
        cases=40,
        broken=9,
        effect=0.225,
        timestamps_ns=timestamps,
        evidence="broken in 9 of 40",
        why="",
    )
    written = opened_promise_text(pool, broken, replay=False).plain
    assert "broken in 9 of 40" in written
    assert "40, broken in 9 of them" in written
    assert "0.225" in written
    assert "2.500, 0.300 s before the end of the window (the earliest 2 of 9)" in written
    assert broken.purpose in written
    assert "j goes to" not in written
    assert "j goes to" in opened_promise_text(pool, broken, replay=True).plain


def test_a_jump_that_nobody_waits_for_any_more_reads_no_further(capture):
    source, asked = ReplaySource(capture), []

    def stopped():
        asked.append(source.head_ns)
        return len(asked) == 5

    with pytest.raises(Stopped):
        landmarks(source, WINDOW_NS, stopped)
    assert len(asked) == 5
    with pytest.raises(Stopped):
        feed_at(ReplaySource(capture), WINDOW_NS, 0, 30 * SECOND, lambda: True)


def test_q_during_a_jump_ends_the_reading_of_the_capture(capture, monkeypatch):
    reading, went_on = threading.Event(), []

    def read_for_ever(_source, _window_ns, stopped, _checkpoints):
        reading.set()
        while not stopped():
            assert len(went_on) < 2000
            went_on.append(time.sleep(0.01))
        raise Stopped

    monkeypatch.setattr(jumps, "landmarks", read_for_ever)
    app = Dashboard(Session(Feed(ReplaySource(capture), WINDOW_NS)))

    async def test():
        async with app.run_test(size=(110, 40)) as pilot:
            app.session.feed.source.play_all()
            await pilot.pause(0.5)
            app.on_jump(Jump(PARKS, 1))
            await asyncio.to_thread(reading.wait, 20)
            await pilot.press("q")

    asyncio.run(test())
    assert reading.is_set()
    assert len(went_on) < 2000
