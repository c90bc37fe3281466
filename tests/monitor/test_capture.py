"""Capture files: what is written comes back, and damage costs only what it touched."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers import wait_until
from idlehands.wire import encode as encode_frame
from idlehands_monitor.ingest.capture import (
    MAGIC,
    VERSION,
    Block,
    CaptureError,
    CaptureReader,
    CaptureWriter,
    NotACapture,
)
from idlehands_monitor.ingest.capture.format import (
    END,
    FACTS,
    FRAMES,
    FRAMES_1,
    HEADER_BYTES,
    decode_frames,
    decode_header,
    encode,
    encode_block,
    prefix,
)

SECOND, HALF_SECOND = 1_000_000_000, 500_000_000


def write(path, pieces):
    writer = CaptureWriter(path)
    for at_ns, frames in pieces:
        writer.add(at_ns, frames)
        writer.flush()
    writer.close()


def read(path):
    reader = CaptureReader(path)
    return list(reader), reader.warning


@given(st.integers(-(2**63), 2**63 - 1), st.binary(max_size=2000))
def test_a_block_comes_back_as_it_was(at_ns, frames):
    data = encode_block(Block(at_ns, frames))
    assert decode(data) == Block(at_ns, frames)


def test_the_checksum_is_the_crc_of_iso_3309():
    # Check value of CRC-32/ISO-HDLC for "123456789", as published with the algorithm.
    assert zlib.crc32(b"123456789") == 0xCBF43926


def decode(data):
    header, body = decode_header(data[:HEADER_BYTES]), data[HEADER_BYTES:]
    if not header.is_of(body):
        raise CaptureError("another length or checksum")
    return decode_frames(header, body)


@given(st.integers(0, 200))
def test_any_flipped_byte_is_noticed(place):
    data = bytearray(encode_block(Block(12345, b"some frames" * 9)))
    data[place % len(data)] ^= 0x55
    with pytest.raises(CaptureError):
        decode(bytes(data))


def test_blocks_come_back_in_order(tmp_path):
    path = tmp_path / "a.idlehands"
    pieces = [(number, b"frame %d" % number) for number in range(50)]
    write(path, pieces)
    assert read(path) == ([Block(*piece) for piece in pieces], "")


def test_a_torn_tail_is_read_up_to_the_last_whole_block_with_a_warning(tmp_path):
    path = tmp_path / "a.idlehands"
    third = encode_block(Block(3, b"third"))
    write(path, [(1, b"first"), (2, b"second"), (3, b"third")])
    data = path.read_bytes()
    whole = data[: data.index(third) + len(third)]
    for cut in range(1, len(third)):
        path.write_bytes(whole[:-cut])
        blocks, warning = read(path)
        assert [block.frames for block in blocks] == [b"first", b"second"]
        assert "the rest cannot be read" in warning


def test_a_damaged_block_in_the_middle_costs_only_itself(tmp_path):
    path = tmp_path / "a.idlehands"
    write(path, [(1, b"first"), (2, b"second"), (3, b"third")])
    data = bytearray(path.read_bytes())
    second = data.index(encode_block(Block(2, b"second")))
    data[second + HEADER_BYTES + 3] ^= 0xFF
    path.write_bytes(data)
    blocks, warning = read(path)
    assert [block.frames for block in blocks] == [b"first", b"third"]
    assert "damaged block" in warning


@pytest.mark.parametrize(
    "content",
    [b"", b"hello", b"idlehands", os.urandom(100)],
    ids=["empty", "text", "the word alone", "random"],
)
def test_another_file_is_no_capture(tmp_path, content):
    path = tmp_path / "a.idlehands"
    path.write_bytes(content)
    with pytest.raises(NotACapture, match="not an idlehands capture"):
        CaptureReader(path)


def test_a_newer_version_is_refused_by_its_number(tmp_path):
    path = tmp_path / "a.idlehands"
    path.write_bytes(MAGIC + (VERSION + 1).to_bytes(4, "little"))
    with pytest.raises(NotACapture, match=f"version {VERSION + 1}"):
        CaptureReader(path)


def test_a_missing_file_and_a_folder_say_what_they_are(tmp_path):
    with pytest.raises(CaptureError, match="No such file"):
        CaptureReader(tmp_path / "none.idlehands")
    with pytest.raises(CaptureError, match="directory"):
        CaptureReader(tmp_path)


def test_a_block_that_unpacks_to_too_much_is_refused(tmp_path):
    body = zlib.compress(b"\0" * (65 << 20), 9)
    for tag in (FRAMES_1, FRAMES):
        with pytest.raises(CaptureError, match="unpacks to more"):
            decode(encode(tag, 0, body))


def test_a_capture_is_readable_by_its_owner_alone(tmp_path):
    path = tmp_path / "a.idlehands"
    write(path, [(1, b"x")])
    assert path.stat().st_mode & 0o077 == 0


def test_what_is_there_is_replaced_only_where_that_is_wanted(tmp_path):
    path = tmp_path / "a.idlehands"
    write(path, [(1, b"old")])
    with pytest.raises(CaptureError, match="was not changed"):
        CaptureWriter(path)
    assert read(path)[0] == [Block(1, b"old")]
    CaptureWriter(path, replace=True).close()
    assert read(path)[0] == []


def test_a_place_that_cannot_be_written_says_so(tmp_path):
    with pytest.raises(CaptureError, match="No such file"):
        CaptureWriter(tmp_path / "no" / "folder.idlehands")


def test_a_file_that_may_not_grow_is_an_error_and_not_a_silent_loss(tmp_path):
    program = (
        "import os, resource, signal, sys\n"
        "from idlehands_monitor.ingest.capture import CaptureError, CaptureWriter\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "writer = CaptureWriter(sys.argv[1])\n"
        "try:\n"
        "    writer.add(1, os.urandom(5000))\n"
        "    writer.close()\n"
        "except CaptureError as error:\n"
        "    print(error)\n"
    )
    path = str(tmp_path / "a.idlehands")
    done = subprocess.run(
        [sys.executable, "-c", program, path], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == f"{path}: File too large"


def test_frames_are_written_at_least_twice_a_second(tmp_path):
    writer = CaptureWriter(tmp_path / "a.idlehands")
    for tick in range(12):  # a second in tenths, and one more
        writer.add(tick * HALF_SECOND // 5, b"frame")
    assert len(read(writer.draft_path)[0]) >= 2  # although it is not closed
    writer.close()


def test_a_killed_writer_leaves_whole_blocks_up_to_its_last_half_second(tmp_path):
    path = tmp_path / "a.idlehands"
    program = (
        "import sys, time\n"
        "from idlehands_monitor.ingest.capture import CaptureWriter\n"
        "writer = CaptureWriter(sys.argv[1])\n"
        "while True:\n"
        "    now = time.monotonic_ns()\n"
        "    writer.add(now, now.to_bytes(8, 'little'))\n"
        "    time.sleep(0.01)\n"
    )
    part = tmp_path / "a.idlehands.part"
    with subprocess.Popen([sys.executable, "-c", program, str(path)]) as process:
        wait_until(lambda: part.exists() and part.stat().st_size > 500, "the header")
        wait_until(lambda: len(read(part)[0]) >= 2, "two blocks")
        process.send_signal(signal.SIGKILL)
    assert not path.exists()
    blocks, _warning = read(part)
    for block in blocks:
        timestamps = [
            int.from_bytes(block.frames[place : place + 8], "little")
            for place in range(0, len(block.frames), 8)
        ]
        assert timestamps == sorted(timestamps)
        assert timestamps[-1] == block.at_ns
        assert timestamps[-1] - timestamps[0] <= 1_000_000_000


def test_what_a_killed_writer_has_left_is_read_with_a_warning_and_left_alone_by_the_next(tmp_path):
    left = CaptureWriter(tmp_path / "a.idlehands")
    left.add(1, b"old")
    left.flush()
    assert read(left.draft_path)[1] == "its writer did not finish it; it holds all that was written"
    before = (tmp_path / "a.idlehands.part").read_bytes()
    write(tmp_path / "a.idlehands", [(2, b"new")])
    assert (tmp_path / "a.idlehands.part").read_bytes() == before
    assert read(tmp_path / "a.idlehands") == ([Block(2, b"new")], "")


def test_a_capture_whose_name_was_taken_meanwhile_stays_under_the_name_of_its_draft(tmp_path):
    path = tmp_path / "a.idlehands"
    writer = CaptureWriter(path)
    writer.add(1, b"x")
    path.write_text("a letter")
    with pytest.raises(CaptureError, match=r"was not changed.*the capture is in .*idlehands.part"):
        writer.close()
    assert path.read_text() == "a letter"
    assert read(tmp_path / "a.idlehands.part") == ([Block(1, b"x")], "")


@pytest.mark.parametrize("block", [b"ihZ2", b"ihI2"])
def test_a_later_minor_version_with_blocks_of_unknown_kinds_is_read(tmp_path, block):
    path = tmp_path / "a.idlehands"
    start = MAGIC + VERSION.to_bytes(2, "little") + (7).to_bytes(2, "little")
    blocks = [encode(FACTS, 0, b'{"a later key": []}'), encode(block, 5, b"what is this")]
    frames = encode_block(Block(3, b"frames"))
    path.write_bytes(start + b"".join(blocks) + frames + blocks[1] + encode(END, 0, b""))
    assert read(path) == ([Block(3, b"frames")], "")
    assert CaptureReader(path).version == (VERSION, 7)


def test_a_damaged_length_costs_only_its_own_block(tmp_path):
    path = tmp_path / "a.idlehands"
    write(path, [(number, b"frame %d" % number) for number in range(9)])
    data = bytearray(path.read_bytes())
    data[data.index(encode_block(Block(4, b"frame 4"))) + 4] ^= 0xFF
    path.write_bytes(data)
    blocks, warning = read(path)
    assert [block.at_ns for block in blocks] == [0, 1, 2, 3, 5, 6, 7, 8]
    assert "damaged block" in warning


def test_the_search_behind_damage_is_bounded(tmp_path):
    """Each header here claims a body of sixteen megabytes: checking them all would take hours."""
    path = tmp_path / "a.idlehands"
    head = encode(FRAMES, 0, b"")[:4] + (16 << 20).to_bytes(4, "little") + bytes(12)
    path.write_bytes(prefix() + head * 5000 + bytes(16 << 20))
    began = time.process_time()
    blocks, warning = read(path)
    assert (blocks, "the rest cannot be read" in warning) == ([], True)
    assert time.process_time() - began < 5


def opened(number):
    return encode_frame({"frame": "hello", "version": 3, "pid": 1, "argv0": f"job {number}"})


def test_a_reader_that_goes_to_a_timestamp_begins_with_what_names_the_processes(tmp_path):
    path = tmp_path / "a.idlehands"
    writer = CaptureWriter(path)
    writer.add(0, encode_frame({"frame": "from", "pid": 1}) + opened(0))
    writer.flush()
    for second in range(1, 300):
        writer.add(second * SECOND, encode_frame({"frame": "from", "pid": 1}) + b"x" * 9)
        writer.flush()
    writer.close()
    assert len(read(path)[0]) == 300
    blocks = list(CaptureReader(path).since(200 * SECOND))
    assert 170 * SECOND <= blocks[0].at_ns <= 200 * SECOND
    assert blocks[0].frames == encode_frame({"frame": "from", "pid": 1}) + opened(0)
    assert [block.at_ns for block in blocks[1:]] == [
        second * SECOND for second in range(blocks[0].at_ns // SECOND + 1, 300)
    ]


def test_without_its_index_a_capture_is_read_from_the_beginning_to_any_timestamp(tmp_path):
    writer = CaptureWriter(tmp_path / "a.idlehands")
    for second in range(100):
        writer.add(second * SECOND, opened(second))
        writer.flush()
    assert next(iter(CaptureReader(writer.draft_path).since(90 * SECOND))).at_ns == 0
    writer.close()


def test_a_block_that_is_there_twice_is_read_once(tmp_path):
    path = tmp_path / "a.idlehands"
    write(path, [(1, b"first"), (2, b"second")])
    data, second = path.read_bytes(), encode_block(Block(2, b"second"))
    path.write_bytes(data.replace(second, second * 3))
    blocks, warning = read(path)
    assert blocks == [Block(1, b"first"), Block(2, b"second")]
    assert "that was there before" in warning
