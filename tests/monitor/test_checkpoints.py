"""Checkpoints: a jump that begins at one reads less of the file, and reads the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_seek import SECOND, WINDOW_NS, capture

from histories import History, Task, frames, levels_frame, random_history, scaled
from histories import ledger as ledger_of
from idlehands.wire import encode
from idlehands_monitor.ingest.capture import CaptureReader, CaptureWriter
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.session.checkpoints import Checkpoints, packed, unpacked
from idlehands_monitor.session.seek import feed_at, landmarks

__all__ = ["capture"]


def close():
    """Return a place for checkpoints that are two seconds apart."""
    return Checkpoints(spacing_ns=2 * SECOND)


@pytest.fixture
def blocks_read(monkeypatch):
    """Count the blocks that are read of any capture."""
    read = []

    def counting(self, *given):
        for block in blocks(self, *given):
            read.append(block.at_ns)
            yield block

    blocks = CaptureReader.blocks
    monkeypatch.setattr(CaptureReader, "blocks", counting)
    return read


@pytest.mark.parametrize("at_s", [21.0, 29.25, 33.333, 39.9])
def test_a_jump_from_a_checkpoint_reads_as_one_from_the_beginning(capture, blocks_read, at_s):
    at_ns, left = round(at_s * SECOND), close()
    landmarks(ReplaySource(capture), WINDOW_NS, checkpoints=left)
    assert len(left) > 10
    blocks_read.clear()
    (there,) = feed_at(ReplaySource(capture), WINDOW_NS, 0, at_ns).reading().pools
    from_beginning = len(blocks_read)
    blocks_read.clear()
    (other,) = feed_at(ReplaySource(capture), WINDOW_NS, 0, at_ns, checkpoints=left).reading().pools
    assert len(blocks_read) < from_beginning - 2 * (at_s - 17)  # two blocks a second
    assert other.steals.counts.tolist() == there.steals.counts.tolist()
    assert replace(other, steals=there.steals) == there


def test_a_jump_leaves_checkpoints_for_the_next_one_and_back_is_as_forward(capture, blocks_read):
    left = close()
    first = feed_at(ReplaySource(capture), WINDOW_NS, 0, 35 * SECOND, checkpoints=left)
    blocks_read.clear()
    back = feed_at(ReplaySource(capture), WINDOW_NS, 0, 34 * SECOND, checkpoints=left)
    assert len(blocks_read) < 40
    again = feed_at(ReplaySource(capture), WINDOW_NS, 0, 35 * SECOND, checkpoints=left)
    (there,), (other,) = first.reading().pools, again.reading().pools
    assert replace(other, steals=there.steals) == there
    assert back.reading().pools[0].end_ns == 34 * SECOND


def test_a_replay_goes_on_from_a_jump_that_began_at_a_checkpoint(capture):
    left = close()
    landmarks(ReplaySource(capture), WINDOW_NS, checkpoints=left)
    source = ReplaySource(capture)
    feed = feed_at(source, WINDOW_NS, 0, 30 * SECOND, checkpoints=left)
    source.play_all()
    feed.update()
    (pool,) = feed.reading().pools
    assert (pool.end_ns, pool.lost_rows, pool.unrecorded_s) == (40 * SECOND, 0, 0.0)
    assert pool.tasks.finished == 80


def test_what_checkpoints_take_is_bounded_and_they_stay_spread_over_the_capture(capture):
    wide = close()
    landmarks(ReplaySource(capture), WINDOW_NS, checkpoints=wide)
    sizes = [len(one.state) for one in wide._held]
    narrow = Checkpoints(2 * SECOND, most_bytes=sum(sizes) // 4)
    landmarks(ReplaySource(capture), WINDOW_NS, checkpoints=narrow)
    assert 2 <= len(narrow) < len(wide) // 2
    assert sum(len(one.state) for one in narrow._held) <= sum(sizes) // 4
    assert narrow._held[-1].since_ns - narrow._held[0].since_ns > 15 * SECOND


def test_no_checkpoint_is_taken_whose_rows_begin_after_the_window(capture):
    left = close()
    landmarks(ReplaySource(capture), WINDOW_NS, checkpoints=left)
    for at_s in range(1, 40):
        found = left.before(at_s * SECOND, WINDOW_NS)
        assert found is None or found.since_ns <= at_s * SECOND - WINDOW_NS
    assert left.before(39 * SECOND, None) is None


@pytest.mark.parametrize("seed", range(12))
def test_a_packed_ledger_has_the_rows_since_a_time_and_all_else(seed):
    held = ledger_of(scaled(random_history(seed), 1_000_000), batch=3)
    pool = held.pools[0]
    since_ns = pool.complete_ns // 2
    other = unpacked(packed(held, since_ns).state).pools[0]
    for name, store in pool.stores.items():
        copy = other.stores[name]
        assert len(copy) == len(store) - store.since(since_ns)
        for column in store.names:
            assert np.array_equal(copy[column], store[column][store.since(since_ns) :])
        assert (store[store.time][: store.since(since_ns)] < since_ns).all()
        assert other.written(name) == pool.written(name)
    assert (other.complete_ns, other.totals) == (pool.complete_ns, pool.totals)
    before = len(pool.tasks)
    other.forget_before(pool.complete_ns)
    assert len(pool.tasks) == before  # they share nothing


def test_a_small_file_that_says_that_hours_pass_leaves_few_checkpoints(tmp_path):
    """It fills the ledger first; then each of its blocks claims that an hour has passed."""
    path = tmp_path / "hours.idlehands"
    history = History(1, 10_000 * SECOND)
    history.tasks = [Task(n, 0, 0, n * SECOND, n * SECOND + 1) for n in range(9_000)]
    writer = CaptureWriter(path)
    names, *rows, _ = frames(history)
    writer.add(0, b"".join(map(encode, [{"frame": "hello", "version": 3, "pid": 1}, names, *rows])))
    for hour in range(1, 400):
        writer.add(hour * 10**12, encode(levels_frame(history, at_ns=hour * 3600 * SECOND)))
        writer.flush()
    writer.close()
    left = Checkpoints()
    feed_at(ReplaySource(str(path)), WINDOW_NS, 0, 10**17, checkpoints=left)
    blocks = len(list(CaptureReader(path)))
    assert 1 < len(left) < blocks / 2
