"""A reading of a capture is the reading of the stream that was captured, to the last integer."""

from __future__ import annotations

import pytest

from histories import frames, random_history
from idlehands.wire import encode
from idlehands_monitor.ingest import pieces
from idlehands_monitor.ingest.capture import CaptureWriter
from idlehands_monitor.ingest.sources.status import SourceStatus
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.session.captures import copy_whole_blocks
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.session.opening import read_target
from idlehands_monitor.views.json import document


class Stream:
    """A source that brings the frames of a stream at once."""

    target = "stream"
    status = SourceStatus(StreamState.REPLAY)

    def __init__(self, wires):
        self.wires = wires

    def portions(self):
        yield [frame for wire in self.wires for frame, _ in pieces(wire)]


@pytest.mark.parametrize("seed", range(40))
def test_the_reading_of_a_capture_and_of_its_copy_is_that_of_its_stream(seed, tmp_path):
    history = random_history(seed)
    hello = {"frame": "hello", "version": 3, "pid": 1, "argv0": "job.py", "python": "3.11"}
    wires = [encode(frame) for frame in (hello, *frames(history, batch=7, seed=seed))]
    writer = CaptureWriter(tmp_path / "a.idlehands")
    for number, wire in enumerate(wires):
        writer.add(number * 50_000_000, wire)
    writer.close()
    feed = Feed(Stream(wires), None, keep=True)
    feed.update()
    expected = document(feed.reading())["pools"]
    copy_whole_blocks(str(tmp_path / "a.idlehands"), str(tmp_path / "b.idlehands"), replace=False)
    for name in ("a", "b"):
        reading = read_target(str(tmp_path / f"{name}.idlehands"), 0.0, causes=False)
        assert document(reading)["pools"] == expected
        assert reading.source.warning == ""
