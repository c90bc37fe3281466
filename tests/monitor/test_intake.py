"""The live intake: the queue is bounded, and recording delays nobody."""

from __future__ import annotations

import os
import threading

import pytest

from histories import History, levels_frame, names_frame
from idlehands.wire import encode
from idlehands_monitor.ingest import intake, pieces, recording
from idlehands_monitor.ingest.capture import CaptureError, CaptureReader, CaptureWriter
from idlehands_monitor.ingest.intake import Intake, made
from idlehands_monitor.ingest.sources import host
from idlehands_monitor.ingest.sources.kernel_waits import KernelWaits

HELLO = {"frame": "hello", "version": 3, "pid": 7}


def batch(number=0):
    return made(levels_frame(History(1, 10), misuses=number))


@pytest.fixture
def slow_writer(monkeypatch):
    """Writers that write nothing until the event that it returns is set."""
    go = threading.Event()
    add = CaptureWriter.add

    def wait_and_add(self, *arguments):
        assert go.wait(20)
        add(self, *arguments)

    monkeypatch.setattr(CaptureWriter, "add", wait_and_add)
    return go


def test_a_flood_loses_whole_batches_and_says_how_many_frames(monkeypatch):
    monkeypatch.setattr(intake, "QUEUE_BYTES", 10_000)
    stream = Intake()
    for number in range(1000):
        stream.take(batch(number))
    *frames, skipped = stream.drain()
    assert 1 < len(frames) < 100
    assert [frame["misuses"] for frame in frames] == list(range(len(frames)))
    assert (skipped["frame"], skipped["count"]) == ("skipped", 1000 - len(frames))
    stream.take(batch(5))
    assert [frame["frame"] for frame in stream.drain()] == ["levels"]


def test_names_that_arrived_in_a_flood_are_returned_after_it(monkeypatch):
    monkeypatch.setattr(intake, "QUEUE_BYTES", 10_000)
    stream = Intake()
    for _ in range(100):
        stream.take(batch())
    stream.take(made(HELLO) + made(names_frame(1)) + made({"frame": "bye", "reason": "x"}), 7)
    frames = [frame["frame"] for frame in stream.drain()]
    assert frames[frames.index("skipped") :] == [
        *("skipped", "from", "hello", "from", "names", "from", "bye")
    ]


def test_a_capture_has_what_the_queue_lost(monkeypatch, tmp_path):
    monkeypatch.setattr(intake, "QUEUE_BYTES", 10_000)
    stream = Intake()
    stream.start_capture(str(tmp_path / "a.idlehands"))
    for number in range(1000):
        stream.take(batch(number))
    stream.stop_capture()
    written = b"".join(block.frames for block in CaptureReader(tmp_path / "a.idlehands"))
    assert written == b"".join(raw for number in range(1000) for _, raw in batch(number))


def test_frames_are_taken_in_while_the_history_is_being_written(slow_writer, tmp_path):
    stream = Intake()
    stream.take(batch(1))
    stream.start_capture(str(tmp_path / "a.idlehands"))
    stream.take(batch(2))  # the writer has not written the first yet
    assert len(stream.drain()) == 2
    slow_writer.set()
    stream.stop_capture()
    written = b"".join(block.frames for block in CaptureReader(tmp_path / "a.idlehands"))
    assert written == b"".join(raw for number in (1, 2) for _, raw in batch(number))


def test_a_capture_that_is_written_too_slowly_ends_with_a_warning(
    slow_writer, monkeypatch, tmp_path
):
    monkeypatch.setattr(recording, "WAITING_BYTES", 1000)
    stream = Intake()
    stream.start_capture(str(tmp_path / "a.idlehands"))
    for number in range(50):
        stream.take(batch(number))
    slow_writer.set()
    assert "records faster than the file can be written" in stream.warning
    assert stream.stop_capture() == ""
    assert len(stream.drain()) == 50


def test_a_file_that_cannot_be_written_is_reported_when_the_capture_ends(monkeypatch, tmp_path):
    def fail(*_):
        raise CaptureError("a.idlehands: No space left on device")

    monkeypatch.setattr(CaptureWriter, "add", fail)
    stream = Intake()
    stream.take(batch())
    stream.start_capture(str(tmp_path / "a.idlehands"))
    with pytest.raises(CaptureError, match="No space left"):
        stream.stop_capture()


def test_names_held_for_captures_are_bounded(monkeypatch, tmp_path):
    monkeypatch.setattr(intake, "OPENING_BYTES", 2000)
    monkeypatch.setattr(intake, "HISTORY_BYTES", 10)
    stream = Intake()
    stream.take(made(HELLO))
    for pool in range(100):
        stream.take(made({**names_frame(1), "pool": pool}))
    stream.start_capture(str(tmp_path / "a.idlehands"))
    stream.stop_capture()
    (block,) = CaptureReader(tmp_path / "a.idlehands")
    found = [frame for frame, _ in pieces_of(block.frames)]
    assert found[0]["frame"] == "hello"
    assert [frame["pool"] for frame in found[1:]] == list(range(101 - len(found), 100))


def test_a_pool_that_was_withdrawn_is_not_named_again_by_a_capture_that_begins_later(
    monkeypatch, tmp_path
):
    monkeypatch.setattr(intake, "HISTORY_BYTES", 10)
    stream = Intake()
    stream.take(made(HELLO) + made(names_frame(1)))
    stream.take(made({"frame": "withdrawn", "pool": 0}))
    stream.start_capture(str(tmp_path / "a.idlehands"))
    stream.stop_capture()
    (block,) = CaptureReader(tmp_path / "a.idlehands")
    assert [frame["frame"] for frame, _ in pieces_of(block.frames)] == ["hello", "withdrawn"]


def pieces_of(stream):
    found, place = [], 0
    while place < len(stream):
        end = place + 4 + int.from_bytes(stream[place : place + 4], "little")
        found += pieces(stream[place:end])
        place = end
    return found


def test_a_frame_that_the_monitor_makes_is_checked_as_any_other():
    ((frame, raw),) = made({"frame": "from", "pid": "x"})
    assert frame["frame"] == "skipped"
    assert raw == encode({"frame": "from", "pid": "x"})


def test_a_process_of_the_same_id_has_its_memory_map_read_again(monkeypatch):
    waits, began = KernelWaits(), [1.0]
    monkeypatch.setattr(host, "beginning", lambda _pid: began[0])
    pid = os.getpid()
    waits.sample([(pid, pid)])
    before = waits._statics[pid]
    waits.keep_only([pid])
    waits.sample([(pid, pid)])
    assert waits._statics[pid] is before
    began[0] = 2.0
    waits.keep_only([pid])
    waits.sample([(pid, pid)])
    assert waits._statics[pid] is not before


def test_the_beginning_of_a_process_is_the_same_each_time():
    assert host.beginning(os.getpid()) == host.beginning(os.getpid()) > 0
    assert host.beginning(4_194_304) == host.UNKNOWN
