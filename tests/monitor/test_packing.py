"""Packed frames: they come back with every value, and rows that are damaged are noticed."""

from __future__ import annotations

import struct
import zlib

import msgpack
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from idlehands.wire import TABLES, encode, encode_columns
from idlehands_monitor.ingest import CaptureFrames
from idlehands_monitor.ingest.capture.columns import Damaged, pack_columns, unpack_columns
from idlehands_monitor.ingest.capture.groups import STORED
from idlehands_monitor.ingest.capture.packing import PackingError, pack_frames, unpack_frames

MOST = 16 << 20
EVERY_INTEGER = st.integers(-(2**63), 2**63 - 1)
NEAR_ZERO = st.integers(-3, 3)


def there_and_back(frames: bytes) -> bytes:
    return unpack_frames(pack_frames(frames).body, MOST)


def checked(frames: bytes):
    """The frames as the ledger gets them, arrays as lists."""
    found = [frame for some in CaptureFrames().feed(frames, 1 << 20) for frame in some]
    return [
        {
            key: value.tolist() if isinstance(value, np.ndarray) else value
            for key, value in f.items()
        }
        for f in found
    ]


@given(
    st.integers(1, 12).flatmap(
        lambda columns: st.lists(
            st.lists(EVERY_INTEGER | NEAR_ZERO, min_size=columns, max_size=columns),
            max_size=20,
        )
    )
)
def test_columns_of_any_integers_come_back(rows):
    values = np.array(rows, dtype=np.int64).T if rows else np.zeros((4, 0), dtype=np.int64)
    data = pack_columns(values)
    found, length = unpack_columns(memoryview(data), values[:0], len(values))
    assert length == len(data)
    assert (found == values).all()


def test_a_column_that_rises_evenly_takes_a_few_bits_a_row():
    values = np.array([np.arange(100_000) * 1000 + 10**18])
    assert len(zlib.compress(pack_columns(values), 1)) < 100_000 // 8


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "too few columns"),
        (b"\0\0\x09", "too few rows"),
        (b"\0\0\1", "too few rows"),
        (b"\x07\0\0", "unknown way"),
        (b"\2\0\0", "unknown way"),
        (b"\x0a\0\0", "unknown way"),
        (b"\x09\0\0", "predicted from itself"),
    ],
)
def test_bytes_that_are_no_columns_are_refused(data, why):
    with pytest.raises(Damaged, match=why):
        unpack_columns(memoryview(data), np.zeros((0, 5), dtype=np.int64), 1)


@st.composite
def rows_frames(draw):
    """A frame of rows as probes have sent them: columns, or packed rows with integers to skip."""
    table = draw(st.sampled_from(list(TABLES.values())))
    counts = draw(st.lists(st.integers(0, 4), min_size=1, max_size=4))
    rows = sum(counts)
    values = [[draw(EVERY_INTEGER) for _ in range(rows)] for _ in table.names]
    skip = draw(st.integers(0, 2))
    if draw(st.booleans()):
        content = {"columns": encode_columns(table.names, values)}
    else:
        packed = [number for row in zip(*values, strict=True) for number in (*[7] * skip, *row)]
        content = {"words": struct.pack(f"<{len(packed)}q", *packed), "skip": skip}
    parts = [[draw(st.integers(-1, 3)), draw(st.integers(0, 99)), count] for count in counts]
    return {
        **{"frame": "rows", "pool": draw(st.integers(0, 2)), "table": table.name},
        **{"parts": parts, "rows": rows, "complete_ns": draw(st.integers(-1, 99)), **content},
    }


OTHERS = st.sampled_from(
    [
        {"frame": "from", "pid": 5},
        {"frame": "from", "pid": 6},
        {"frame": "bye", "reason": "x"},
        {"frame": "cost", "at_ns": 3, "recording_ns": 4, "sending_ns": 5},
        {"frame": "a kind of a later version", "x": [1, {"y": b"\0"}]},
    ]
)


@given(st.lists(rows_frames() | OTHERS, max_size=12))
def test_frames_come_back_in_their_order_with_every_value(frames):
    wire = b"".join(map(encode, frames))
    assert checked(there_and_back(wire)) == checked(wire)


@given(st.lists(rows_frames() | OTHERS, max_size=6), st.binary(max_size=30))
def test_what_is_no_frame_comes_back_as_it_is(frames, rest):
    wire = b"".join(map(encode, frames)) + rest
    assert checked(there_and_back(wire)) == checked(wire)


@pytest.mark.parametrize(
    "changes",
    [
        {"table": "no table"},
        {"rows": 3},
        {"parts": [[0, 0, -1], [0, 0, 3]]},
        {"parts": [[0, 0]]},
        {"parts": [[0, 2**63, 2]]},
        {"pool": "x"},
        {"columns": {}},
        {"columns": {"spawned_ns": bytes(15)}},
        {"columns": {"spawned_ns": bytes(16), "of a later version": bytes(16)}},
        {"words": bytes(16), "skip": 9},
    ],
)
def test_rows_that_are_not_as_a_probe_sends_them_are_stored_as_they_are(changes):
    frame = {"frame": "rows", "pool": 0, "table": "spawns", "parts": [[-1, 0, 2]], "rows": 2}
    wire = encode({**frame, "columns": {"spawned_ns": bytes(16)}, **changes})
    assert there_and_back(wire) == wire


def test_a_frame_that_says_it_is_packed_is_left_out():
    assert there_and_back(encode({"frame": "packed", "table": "tasks"})) == b""


def packed_by_hand(frame, data: bytes) -> bytes:
    body = msgpack.packb(frame)
    return zlib.compress(struct.pack("<I", len(body)) + body) + zlib.compress(data)


PLAIN = {"frame": "packed", "pool": 0, "table": "spawns", "parts": [[-1, 0, 5]], "rows": 5}


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (packed_by_hand(PLAIN, b"\0\0\1"), "too few rows"),
        (
            packed_by_hand({**PLAIN, "parts": [[0, 0, 2**40]], "rows": 2**40}, b""),
            "unpacks to more",
        ),
        (packed_by_hand({**PLAIN, "table": "x"}, b""), "no table"),
        (packed_by_hand({**PLAIN, "rows": 4}, b""), "no table"),
        (zlib.compress(bytes(MOST + 1)), "unpacks to more"),
        (zlib.compress(b"") + zlib.compress(bytes(MOST + 1)), "unpacks to more"),
        (zlib.compress(b"")[:-1], "cut off"),
        (b"no zlib", "incorrect header"),
    ],
)
def test_a_body_that_is_none_is_refused(body, why):
    with pytest.raises(PackingError, match=why):
        unpack_frames(body, MOST)


def test_rows_of_zero_bytes_cost_no_more_than_a_block_may():
    """Five million rows that are stored in no byte at all are not unpacked."""
    rows = 5_000_000
    frame = {**PLAIN, "parts": [[-1, 0, rows]], "rows": rows}
    with pytest.raises(PackingError, match="unpacks to more"):
        unpack_frames(packed_by_hand(frame, b"\0\0\0"), MOST)


def test_every_column_of_every_table_is_stored_once():
    for name, table in TABLES.items():
        assert sorted(sum(STORED[name], ())) == sorted(table.names)
