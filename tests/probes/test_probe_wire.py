"""Frames as bytes: against the MessagePack specification, and whatever way they are cut up.

The expected bytes are worked out by hand from the specification's table of formats, so that
they do not depend on the library that packs them here.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from idlehands.wire import (
    MOST_BYTES,
    VERSION,
    Decoder,
    NewerVersion,
    WireError,
    check_version,
    encode,
    encode_columns,
)

SPECIFIED: list[tuple[Any, str]] = [
    (None, "c0"),
    (False, "c2"),
    (True, "c3"),
    (0, "00"),
    (127, "7f"),
    (128, "cc80"),
    (255, "ccff"),
    (256, "cd0100"),
    (65535, "cdffff"),
    (65536, "ce00010000"),
    (2**32 - 1, "ceffffffff"),
    (2**32, "cf0000000100000000"),
    (2**64 - 1, "cfffffffffffffffff"),
    (-1, "ff"),
    (-32, "e0"),
    (-33, "d0df"),
    (-128, "d080"),
    (-129, "d1ff7f"),
    (-32768, "d18000"),
    (-32769, "d2ffff7fff"),
    (-(2**31), "d280000000"),
    (-(2**31) - 1, "d3ffffffff7fffffff"),
    (1.0, "cb3ff0000000000000"),
    ("", "a0"),
    ("a", "a161"),
    ("a" * 31, "bf" + "61" * 31),
    ("a" * 32, "d920" + "61" * 32),
    (b"", "c400"),
    (b"\x01", "c40101"),
    ([], "90"),
    ([1, 2], "920102"),
    ([0] * 16, "dc0010" + "00" * 16),
    ({}, "80"),
    ({"a": 1}, "81a16101"),
    ({"compact": True, "schema": 0}, "82a7636f6d70616374c3a6736368656d6100"),
]
NAMES = [f"{str(value)[:24]}-{packed[:20]}" for value, packed in SPECIFIED]

HEAD = bytes.fromhex("82") + bytes.fromhex("a5") + b"frame" + bytes.fromhex("a1") + b"x"
"""{"frame": "x", ...}: a map of two whose second key and value are still to come."""


def framed(value_bytes: bytes) -> bytes:
    body = HEAD + bytes.fromhex("a176") + value_bytes  # "v": value
    return struct.pack("<I", len(body)) + body


@pytest.mark.parametrize(("value", "packed"), SPECIFIED, ids=NAMES)
def test_a_frame_holds_each_value_in_the_bytes_that_the_specification_gives(value, packed):
    assert encode({"frame": "x", "v": value}) == framed(bytes.fromhex(packed))


@pytest.mark.parametrize(("value", "packed"), SPECIFIED, ids=NAMES)
def test_each_specified_value_is_read_from_a_whole_frame(value, packed):
    (frame,) = Decoder().feed(framed(bytes.fromhex(packed)))
    assert frame == {"frame": "x", "v": value}
    assert type(frame["v"]) is type(value)


@pytest.mark.parametrize(("value", "packed"), SPECIFIED, ids=NAMES)
def test_each_specified_value_is_read_from_a_frame_that_comes_byte_by_byte(value, packed):
    decoder = Decoder()
    data = framed(bytes.fromhex(packed))
    for byte in data[:-1]:
        assert decoder.feed(bytes([byte])) == []
    assert decoder.feed(data[-1:]) == [{"frame": "x", "v": value}]
    assert decoder.held_bytes == 0


@pytest.mark.parametrize(("value", "packed"), SPECIFIED, ids=NAMES)
def test_bytes_after_a_frame_are_held_for_the_next_one(value, packed):
    decoder = Decoder()
    data = framed(bytes.fromhex(packed))
    assert decoder.feed(data + data[:3]) == [{"frame": "x", "v": value}]
    assert decoder.held_bytes == 3
    assert decoder.feed(data[3:]) == [{"frame": "x", "v": value}]


def test_a_frame_opens_with_its_length_as_32_bits_little_endian():
    data = encode({"frame": "x", "v": "a" * 300})
    assert data[:4] == bytes([(len(data) - 4) % 256, (len(data) - 4) // 256, 0, 0])


def test_the_byte_that_the_specification_never_uses_is_refused():
    with pytest.raises(WireError, match="not a MessagePack frame"):
        Decoder().feed(framed(b"\xc1"))


FRAMES = st.lists(
    st.fixed_dictionaries(
        {"frame": st.sampled_from(["rows", "levels", "names"])},
        optional={
            "v": st.recursive(
                st.none()
                | st.booleans()
                | st.integers(-(2**63), 2**64 - 1)
                | st.text(max_size=40)
                | st.binary(max_size=40),
                lambda inner: (
                    st.lists(inner, max_size=4)
                    | st.dictionaries(st.text(max_size=5), inner, max_size=4)
                ),
                max_leaves=6,
            )
        },
    ),
    max_size=6,
)


@settings(deadline=None, database=None, max_examples=80)
@given(FRAMES, st.data())
def test_frames_come_out_the_same_however_the_stream_is_cut(frames, data):
    stream = b"".join(encode(frame) for frame in frames)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    decoder = Decoder()
    seen = []
    for begin, end in zip([0, *cuts], [*cuts, len(stream)]):
        seen += decoder.feed(stream[begin:end])
    assert seen == frames
    assert decoder.held_bytes == 0


@settings(deadline=None, database=None, max_examples=150)
@given(st.binary(max_size=60))
def test_a_body_of_arbitrary_bytes_is_a_frame_or_a_wire_error_and_nothing_else(body):
    try:
        frames = Decoder().feed(struct.pack("<I", len(body)) + body)
    except WireError:
        return
    assert all(isinstance(frame["frame"], str) for frame in frames)


def test_a_length_over_the_limit_is_refused_before_its_body_comes():
    with pytest.raises(WireError, match=f"frame of {MOST_BYTES + 1} bytes is over {MOST_BYTES}"):
        Decoder().feed(struct.pack("<I", MOST_BYTES + 1))


def test_a_length_at_the_limit_is_waited_for():
    decoder = Decoder()
    assert decoder.feed(struct.pack("<I", MOST_BYTES) + b"x") == []
    assert decoder.held_bytes == 5


def test_a_frame_over_the_limit_is_not_encoded():
    with pytest.raises(WireError, match="over"):
        encode({"frame": "x", "v": b"\0" * MOST_BYTES})


@pytest.mark.parametrize("body", ["90", "c0", "a161", "01"], ids=["list", "nil", "string", "int"])
def test_a_frame_that_is_no_map_is_refused(body):
    data = bytes.fromhex(body)
    with pytest.raises(WireError, match="map that names its kind"):
        Decoder().feed(struct.pack("<I", len(data)) + data)


@pytest.mark.parametrize("frame", [{}, {"kind": "rows"}, {"frame": 3}, {"frame": None}])
def test_a_map_without_a_kind_is_refused(frame):
    with pytest.raises(WireError, match="map that names its kind"):
        Decoder().feed(encode(frame))


@pytest.mark.parametrize("body", ["", "82a5", "81a56672616d65a1ff", "8181a1610000", "0000"])
def test_a_body_that_is_no_single_messagepack_value_is_refused(body):
    data = bytes.fromhex(body)
    with pytest.raises(WireError, match="not a MessagePack frame"):
        Decoder().feed(struct.pack("<I", len(data)) + data)


def test_deep_nesting_is_refused_and_does_not_end_the_reader():
    with pytest.raises(WireError):
        Decoder().feed(framed(b"\x91" * 200_000 + b"\x00"))


def test_a_hello_of_this_version_is_read():
    (frame,) = Decoder().feed(encode({"frame": "hello", "version": VERSION}))
    assert frame["version"] == VERSION


def test_a_hello_of_a_later_version_says_which_version_it_is_and_which_is_known():
    with pytest.raises(NewerVersion, match=f"version {VERSION + 1} .* up to {VERSION}"):
        Decoder().feed(encode({"frame": "hello", "version": VERSION + 1}))


@pytest.mark.parametrize("version", [None, "1", 0, -1, 1.0])
def test_a_hello_without_a_proper_version_is_refused(version):
    with pytest.raises(WireError, match="hello without a version") as caught:
        check_version(version)
    assert not isinstance(caught.value, NewerVersion)


def test_a_kind_of_frame_not_known_here_is_passed_on():
    assert Decoder().feed(encode({"frame": "weather", "v": 1})) == [{"frame": "weather", "v": 1}]


def test_columns_are_64_bit_little_endian_in_the_order_of_their_names():
    columns = encode_columns(("task", "size"), [(1, -1), (2**62, -(2**63))])
    assert columns == {
        "task": bytes.fromhex("0100000000000000" + "ffffffffffffffff"),
        "size": bytes.fromhex("0000000000000040" + "0000000000000080"),
    }


def test_text_that_is_no_valid_unicode_is_sent_with_question_marks():
    (frame,) = Decoder().feed(encode({"frame": "x", "v": "report-\udcff.csv"}))
    assert frame["v"] == "report-?.csv"


@pytest.mark.parametrize("odd", [2**63, -(2**63) - 1, "seven", None, 1.5])
def test_what_is_no_64_bit_integer_costs_its_own_cell_and_no_more(odd):
    columns = encode_columns(("size",), [(3, odd, 5)])
    assert columns == {"size": struct.pack("<3q", 3, -1, 5)}
