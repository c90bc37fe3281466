"""The replay source: a capture played at a chosen speed, with a clock that the test moves."""

from __future__ import annotations

import pytest

from histories import History, Task, frames
from idlehands.wire import NewerVersion, encode
from idlehands_monitor.ingest.capture import CaptureError, CaptureWriter, NotACapture
from idlehands_monitor.ingest.sources.replay import AT_END, ReplaySource
from idlehands_monitor.session.feed import Feed

SECOND = 1_000_000_000


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def write(path, pieces):
    writer = CaptureWriter(path)
    for at_ns, some in pieces:
        writer.add(at_ns, b"".join(encode(frame) for frame in some))
        writer.flush()
    writer.close()


def tick(n):
    return {"frame": "cost", "at_ns": n, "recording_ns": 0, "sending_ns": 0}


@pytest.fixture
def ticking(tmp_path):
    """A capture of ten blocks a second apart, each with one frame that names its second."""
    path = tmp_path / "ticks.idlehands"
    write(path, [(n * SECOND, [tick(n)]) for n in range(10)])
    return str(path)


def numbers(source):
    return [frame["at_ns"] for frame in source.drain() if frame["frame"] == "cost"]


def test_blocks_come_when_the_playhead_has_passed_them(ticking):
    clock = Clock()
    source = ReplaySource(ticking, clock=clock)
    assert numbers(source) == [0]
    clock.now += 2.5
    assert numbers(source) == [1, 2]
    clock.now += 0.5
    assert numbers(source) == [3]


def test_a_higher_speed_passes_more_blocks_in_the_same_time(ticking):
    clock = Clock()
    source = ReplaySource(ticking, speed=4, clock=clock)
    numbers(source)
    clock.now += 1.0
    assert numbers(source) == [1, 2, 3, 4]


def test_a_paused_replay_stands_still_and_goes_on_from_there(ticking):
    clock = Clock()
    source = ReplaySource(ticking, clock=clock)
    numbers(source)
    source.pause(True)
    clock.now += 5
    assert numbers(source) == []
    source.pause(False)
    clock.now += 1
    assert numbers(source) == [1]


def test_the_end_is_reported(ticking):
    clock = Clock()
    source = ReplaySource(ticking, clock=clock)
    clock.now += 100
    source.drain()
    assert source.status.state == "replay"
    assert source.status.note == AT_END


def test_play_all_brings_everything_at_once(ticking):
    source = ReplaySource(ticking)
    source.play_all()
    assert numbers(source) == list(range(10))


def test_only_a_damaged_frame_is_lost_and_it_is_reported(tmp_path):
    path = tmp_path / "a.idlehands"
    writer = CaptureWriter(path)
    writer.add(1, encode(tick(0)) + b"\x01\x00\x00\x00\xc1" + encode(tick(1)))
    writer.flush()
    writer.add(2, encode(tick(2)))
    writer.close()
    source = ReplaySource(str(path))
    source.play_all()
    feed = Feed(source.again(), None, keep=True)
    feed.source.play_all()
    feed.update()
    assert numbers(source) == [0, 1, 2]
    (skipped,) = feed.reading().source.skipped
    assert (skipped.what, skipped.count) == ("frames", 1)
    assert "not a MessagePack map" in skipped.why


def test_a_length_that_no_frame_has_costs_the_rest_of_its_block(tmp_path):
    path = tmp_path / "a.idlehands"
    writer = CaptureWriter(path)
    writer.add(1, encode(tick(0)) + b"\xff" * 40 + encode(tick(1)))
    writer.flush()
    writer.add(2, encode(tick(2)))
    writer.close()
    source = ReplaySource(str(path))
    source.play_all()
    assert numbers(source) == [0, 2]


def test_frames_of_a_newer_wire_are_refused(tmp_path):
    path = tmp_path / "a.idlehands"
    write(path, [(1, [{"frame": "hello", "version": 99}])])
    with pytest.raises(NotACapture, match="version 99"):
        ReplaySource(str(path))
    assert issubclass(NewerVersion, ValueError)


def test_a_copy_of_the_capture_never_replaces_a_file(ticking, tmp_path):
    source = ReplaySource(ticking)
    copy = tmp_path / "copy.idlehands"
    source.start_capture(str(copy))
    with open(ticking, "rb") as original:
        assert copy.read_bytes() == original.read()
    with pytest.raises(CaptureError, match="was not changed"):
        source.start_capture(str(copy))


def test_a_replayed_history_reads_like_the_live_one(tmp_path):
    history = History(2, 3 * SECOND)
    history.tasks = [Task(0, 0, 0, 0, 2 * SECOND), Task(1, SECOND, 1, 2 * SECOND, 3 * SECOND)]
    history.idle_intervals = [(1, 0, 2 * SECOND, True, -1)]
    path = tmp_path / "a.idlehands"
    hello = {"frame": "hello", "version": 1, "pid": 1, "argv0": "job.py", "python": "3.11"}
    write(path, [(3 * SECOND, [hello, *frames(history)])])
    source = ReplaySource(str(path))
    feed = Feed(source, None, keep=True)
    source.play_all()
    feed.update()
    (pool,) = feed.reading().pools
    assert pool.time.working == 3 * SECOND
    assert pool.time.waking == SECOND
    assert pool.time.no_work == SECOND
    assert pool.tasks.finished == 2


def test_a_second_hello_begins_a_new_ledger(tmp_path):
    history = History(1, SECOND)
    history.tasks = [Task(0, 0, 0, 0, SECOND)]
    hello = {"frame": "hello", "version": 1, "pid": 1}
    path = tmp_path / "a.idlehands"
    write(path, [(1, [hello, *frames(history)]), (2, [{**hello, "pid": 2}, *frames(history)])])
    source = ReplaySource(str(path))
    feed = Feed(source, None, keep=True)
    source.play_all()
    feed.update()
    (pool,) = feed.reading().pools
    assert feed.reading().source.pid == 2
    assert pool.tasks.finished == 1
