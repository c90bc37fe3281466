"""Input is held to stated limits: what is beyond them is skipped, counted and reported."""

from __future__ import annotations

import re
import struct
import sys
from pathlib import Path

import msgpack
import pytest
from hypothesis import given
from hypothesis import strategies as st

from histories import History, Task, frames, levels_frame, names_frame, take_in
from idlehands.wire import TASKS, encode, encode_columns
from idlehands_monitor.ingest import CaptureFrames, StreamFrames, checked_frames, limits
from idlehands_monitor.ingest.capture import CaptureWriter
from idlehands_monitor.ingest.decoding import kind_of
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.session.feed import Feed

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "capture-format.md"
INFINITE = float("inf")


def rows_frame(times=((0, 10),), worker=0, **changes):
    rows = [
        (n, -1, 0, began, -1, -1, began, ended, -2, -1, 0) for n, (began, ended) in enumerate(times)
    ]
    return {
        **{"frame": "rows", "pool": 0, "table": "tasks", "parts": [[worker, 0, len(rows)]]},
        "columns": encode_columns(TASKS.names, list(zip(*rows, strict=True))),
        **changes,
    }


def held(*some):
    ledger = Ledger()
    take_in(ledger, names_frame(2), *some)
    return ledger


@pytest.mark.parametrize(
    "frame",
    [
        rows_frame(parts=[[2**63, 0, 1]]),
        rows_frame(parts=[[0, INFINITE, 1]]),
        rows_frame(parts=7),
        rows_frame(parts=[[0, 0, -1]]),
        rows_frame(parts=[[0, 0, 2**31]]),
        rows_frame(columns=[]),
        rows_frame(columns={}),
        rows_frame(columns={"task": "x" * 8}),
        rows_frame(table=3),
        {**levels_frame(History(1, 5)), "at_ns": INFINITE},
        {**levels_frame(History(1, 5)), "at_ns": 2**62},
        {**levels_frame(History(1, 5)), "workers": [[[0, 1]]]},
        {**levels_frame(History(1, 5)), "deques": [2**70]},
        {**levels_frame(History(1, 5)), "ran": [1.5]},
        {"frame": "from", "pid": INFINITE},
        {"frame": "from"},
        {"frame": "hello", "version": 3, "pid": "1"},
        {"frame": "bye", "reason": b"x"},
        {"frame": "cost", "at_ns": 1, "recording_ns": None, "sending_ns": 1},
        {"frame": "lost", "pool": 0, "table": "tasks", "worker": 0, "rows": -1},
        {"frame": "counters", "pool": 0, "columns": []},
        {"frame": "counters", "pool": 0, "columns": {"thief": b"x"}},
        {"frame": "counters", "pool": 0, "worker": 0, "hits": bytes(8)},
        {"frame": "counters", "pool": 0, "worker": 7, **dict.fromkeys(
            ("hits", "empties", "lost_races"), bytes(16))},
        names_frame(1, threads=[[0, 1, 2]]),
        names_frame(1, threads=[[0, INFINITE, 2, "a"]]),
        names_frame(1, steps=[[1]]),
        names_frame(1, task_kinds={"a": 1}),
        names_frame(0),
        names_frame(-1),
    ],
    ids=lambda frame: f"{frame['frame']}",
)  # fmt: skip
def test_a_frame_that_is_not_within_its_limits_is_skipped_and_counted(frame):
    ledger = held(frame, rows_frame())
    ((what, why),) = ledger.skipped
    assert what == f"frames of {frame['frame']}"
    assert why
    assert ledger.skipped_frames == 1
    assert len(ledger.pools[0].tasks) == 1


def test_a_value_out_of_range_costs_its_row_and_no_more():
    ledger = held(rows_frame([(0, 10), (10, 2**60), (30, 20), (20, 30)]))
    assert ledger.pools[0].tasks["ended_ns"].tolist() == [10, 30]
    assert ledger.pools[0].written("tasks") == 4
    ((what, _),) = ledger.skipped
    assert (what, ledger.skipped.total()) == ("rows of tasks", 2)


def test_frames_of_later_versions_are_left_out_without_a_count():
    later = [{"frame": "tomorrow", "x": 1}, rows_frame(table="tomorrow"), rows_frame(more=[[]])]
    assert not held(*later).skipped


def test_rows_that_are_only_claimed_take_no_memory():
    claim = rows_frame(parts=[[0, 0, 2**31]], columns={"task": b""})
    (found,) = checked_frames(claim)
    assert found["frame"] == "skipped"


def test_of_a_pool_of_5000_workers_the_first_1024_are_read_and_all_tasks_are_counted():
    names = names_frame(5000, kind="thread pool", shared_queue=True)
    rows = rows_frame([(0, 10), (10, 20)], parts=[[3, 0, 1], [4000, 0, 1]])
    ledger = Ledger()
    take_in(ledger, names, rows, levels_frame(History(5000, 20), ran=[2] * 5000))
    pool = ledger.pools[0]
    assert (pool.name, pool.workers, pool.left_out) == ("scripted", 1024, 3976)
    assert pool.tasks["worker"].tolist() == [3]
    assert pool.totals[-1][1] == 10_000
    ((what, why),) = ledger.skipped
    assert what == "rows of tasks"
    assert "1,024" in why


def test_a_long_text_is_cut():
    ledger = held({**names_frame(1), "name": "n" * 100_000})
    assert ledger.pools[0].name == "n" * limits.TEXT_LETTERS


def test_a_frame_of_a_million_lists_is_refused_before_they_are_made():
    body = msgpack.packb({"frame": "bye", "reason": [[]] * 1_000_000})
    ((found, raw),) = StreamFrames().feed(struct.pack("<I", len(body)) + body)
    assert found["frame"] == "skipped"
    assert len(raw) == 4 + len(body)


def test_bytes_are_the_same_frames_whole_or_one_by_one():
    stream = b"".join(map(encode, frames(History(1, 10, [Task(0, 0, 0, 1, 5)])))) + b"\1\0\0\0\xc1"
    whole = [frame["frame"] for frame, _ in StreamFrames().feed(stream)]
    one_by_one = StreamFrames()
    found = [frame["frame"] for byte in stream for frame, _ in one_by_one.feed(bytes([byte]))]
    assert found == whole == ["names", "rows", "rows", "levels", "skipped"]


def test_a_capture_holds_no_more_than_its_size_allows():
    block = encode({"frame": "bye"}) * (2 * limits.FREE_FRAMES)
    found = [frame for portion in CaptureFrames().feed(block, 1000) for frame in portion]
    assert len(found) <= limits.FREE_FRAMES + 1000 // limits.BYTES_A_FRAME + 1
    assert (found[-1]["what"], found[-1]["frame"]) == ("blocks", "skipped")


def test_a_block_comes_in_portions():
    block = encode({"frame": "bye"}) * 1000
    portions = list(CaptureFrames().feed(block, 1000))
    assert sum(map(len, portions)) == 1000
    assert max(map(len, portions)) <= 256


def test_pools_past_the_limit_take_the_place_of_closed_ones_or_are_left_out():
    ledger = Ledger()
    many = range(limits.POOLS)
    take_in(ledger, *({**names_frame(1), "pool": n, "closed_ns": 5 if n < 2 else -1} for n in many))
    take_in(ledger, *({**names_frame(1), "pool": limits.POOLS + n} for n in range(3)))
    assert len(ledger.pools) == limits.POOLS
    assert ledger.dropped == 2
    ((what, why),) = ledger.skipped
    assert what == "frames of names"
    assert "more pools" in why


def test_pairs_of_workers_are_bounded_over_all_pools():
    ledger = Ledger()
    take_in(ledger, *({**names_frame(1024), "pool": n} for n in range(3)))
    assert len(ledger.pools) == 1
    assert ledger.skipped_frames == 2


def test_what_was_left_out_is_in_the_reading(tmp_path):
    history = History(1, 10, [Task(0, 0, 0, 1, 5)])
    some = [{"frame": "hello", "version": 3, "pid": 1}, *frames(history), {"frame": "from"}]
    (skipped,) = reading_of(tmp_path / "a.idlehands", some).source.skipped
    assert (skipped.what, skipped.why, skipped.count) == ("frames of from", "no pid", 1)


def reading_of(path, some):
    writer = CaptureWriter(path)
    writer.add(1, b"".join(map(encode, some)))
    writer.close()
    source = ReplaySource(str(path))
    feed = Feed(source, None, keep=True)
    source.play_all()
    feed.update()
    return feed.reading()


def test_workers_past_the_first_1024_are_reported_though_none_of_them_has_a_row(tmp_path):
    names = names_frame(5000, kind="thread pool", shared_queue=True)
    some = [names, rows_frame([(0, 10)]), levels_frame(History(5000, 20))]
    reading = reading_of(tmp_path / "a.idlehands", some)
    assert len(reading.pools) == 1
    (skipped,) = reading.source.skipped
    assert (skipped.what, skipped.count) == ("workers", 3976)
    assert "past the first 1,024" in skipped.why


def test_closed_pools_that_make_room_in_a_capture_are_reported(tmp_path):
    some = [{**names_frame(1), "pool": n, "closed_ns": 5} for n in range(limits.POOLS + 3)]
    (skipped,) = reading_of(tmp_path / "a.idlehands", some).source.skipped
    assert (skipped.what, skipped.count) == ("pools", 3)


def test_the_cost_of_a_frame_does_not_grow_with_the_data_held():
    """A small capture sets up all that there may be, and then has frames come that touch it."""
    ledger = Ledger()
    threads = [[n, n + 1, 1, ""] for n in range(1024)]
    take_in(ledger, names_frame(1024, threads=threads))
    take_in(ledger, rows_frame((), parts=[[n, 0, 0] for n in range(16384)], columns={"task": b""}))
    take_in(ledger, {"frame": "host", "at_ns": 1, "threads": {}, "gone": list(range(1, 1025))})
    assert len(ledger.pools[0].gone) == 1024
    host = {"frame": "host", "at_ns": 1, "threads": {}, "gone": [7]}
    some = (levels_frame(History(1, 5)), host)
    checked = [one for frame in some for one in checked_frames(frame)]
    calls = calls_of(lambda: [ledger.apply(one) for one in checked])
    few = Ledger()
    take_in(few, names_frame(1))
    assert calls <= 2 * calls_of(lambda: [few.apply(one) for one in checked])


def calls_of(work):
    """Return how often a call enters or leaves a function, or goes on in a generator."""
    seen = []
    sys.setprofile(lambda _frame, event, _arg: seen.append(event))
    try:
        work()
    finally:
        sys.setprofile(None)
    return len(seen)


def test_the_document_names_every_limit_with_its_number():
    rows = re.findall(r"^\| `(\w+)` \| ([\d,]+) \|", DOCUMENT.read_text(encoding="utf-8"), re.M)
    documented = {name: int(number.replace(",", "")) for name, number in rows}
    own = {name: value for name, value in vars(limits).items()
           if name.isupper() and not name.startswith("MOST_")}  # fmt: skip
    assert documented == own


@given(st.text(max_size=40), st.integers(0, 40))
def test_the_kind_of_a_frame_is_known_without_decoding_it_or_not_at_all(kind, more):
    keys = {f"key {n}": n for n in range(more)}
    assert kind_of(encode({"frame": kind, **keys})) in (kind, "")
    assert kind_of(encode({"frame": "mark", **keys})) == "mark"
    assert kind_of(encode({**keys, "x": 1, "frame": kind})) == ""


@given(st.binary(max_size=40))
def test_bytes_that_are_no_frame_have_no_kind(data):
    assert isinstance(kind_of(data), str)
