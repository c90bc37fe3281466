"""Damaged captures: real ones with something changed.

Everything is drawn from a `random.Random`, so that a seed makes the same file again.
"""

from __future__ import annotations

import random
import struct
from pathlib import Path
from typing import Any

import msgpack

from idlehands.wire import Decoder
from idlehands_monitor.ingest.capture import MAGIC, VERSION, Block, CaptureReader
from idlehands_monitor.ingest.capture.format import encode_block

CORPUS = Path(__file__).parent / "corpus"
PREFIX = MAGIC + struct.pack("<I", VERSION)
SECOND = 1_000_000_000

Frames = list[dict[Any, Any]]

ESCAPES = ["\x1b[2J", "\x1b]0;title\x07", "\x9b31m", "\u202e", "\x00", "\n", "\r", "\u2028", "\x7f"]
NASTY: list[Any] = [
    *(None, True, False, 0, -1, 1, 2, -2, 3, 255, 1023, 1024, 1025, 5000, 2**31, 2**32 - 1, 2**53),
    *(2**60, 2**62, 2**63 - 1, 2**63, 2**64 - 1, -(2**31), -(2**63), 0.0, -1.5, 1e308),
    *(float("inf"), float("-inf"), float("nan"), "", "x", "tasks", b"", b"\x00" * 8, b"\xff" * 16),
    *([], {}, [[]], [{}], {"a": 1}, {1: 2}, [0] * 2000, [[0, 1, 2]] * 50, "é" * 5000),
    *ESCAPES,
]


def packed(frame: Any) -> bytes:
    """Return a frame as wire bytes, whatever it is."""
    body = msgpack.packb(frame, use_bin_type=True, unicode_errors="surrogatepass")
    return struct.pack("<I", len(body)) + body


def capture(*blocks: bytes, at_ns: int = 10 * SECOND) -> bytes:
    """Return a capture of these blocks, every checksum right."""
    return PREFIX + b"".join(
        encode_block(Block(at_ns + place * SECOND // 2, block))
        for place, block in enumerate(blocks)
    )


def corpus() -> dict[str, bytes]:
    """Return the real captures by their names."""
    return {path.name: path.read_bytes() for path in sorted(CORPUS.glob("*.idlehands"))}


def frames_of(name: str) -> Frames:
    """Return all frames of a real capture."""
    decoder = Decoder()
    blocks = CaptureReader(CORPUS / name)
    return [frame for block in blocks for frame in decoder.feed(block.frames)]


# Mutations of bytes


def flip(draw: random.Random, data: bytes, times: int | None = None) -> bytes:
    """Return bytes with some of them changed, left out or doubled."""
    found = bytearray(data)
    for _ in range(times or draw.choice([1, 1, 2, 5, 30])):
        place = draw.randrange(len(found) or 1)
        way = draw.randrange(5)
        if way == 0:
            found[place : place + 1] = bytes([draw.randrange(256)])
        elif way == 1:
            found[place : place + 1] = bytes([found[place] ^ 1 << draw.randrange(8)])
        elif way == 2:
            del found[place : place + draw.choice([1, 2, 8, 100])]
        elif way == 3:
            found[place:place] = found[place : place + draw.choice([1, 8, 64])]
        elif way == 4:
            found[place : place + 8] = draw.choice([b"\xff" * 8, bytes(8), b"\x7f" * 8])
        found = found or bytearray(b"\x00")
    return bytes(found)


def flipped_file(draw: random.Random) -> bytes:
    """A real file with some bytes changed: checksums are mostly wrong then."""
    return flip(draw, draw.choice(list(corpus().values())))


def flipped_frames(draw: random.Random) -> bytes:
    """The frames of a real file with some bytes changed, under right checksums."""
    frames = frames_of(draw.choice(list(corpus())))
    place = draw.randrange(len(frames))
    wires = [packed(frame) for frame in frames]
    wires[place] = wires[place][:4] + flip(draw, wires[place][4:], 1)
    if draw.random() < 0.8:  # the length leads to the next frame, as a checker sees to
        body = wires[place][4:]
        wires[place] = struct.pack("<I", len(body)) + body
    return capture(b"".join(wires))


# Mutations of values


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    if isinstance(value, dict):
        for key, inner in value.items():
            found += _places(inner, (*path, key))
    elif isinstance(value, list):
        for key, inner in enumerate(value[:40]):
            found += _places(inner, (*path, key))
    return found


def changed(draw: random.Random, frame: Any) -> Any:
    """Return a frame with one value replaced, left out or grown."""
    frame = msgpack.unpackb(msgpack.packb(frame), strict_map_key=False)
    places = _places(frame)
    if not places:  # all of it has been left out before
        return frame
    path = draw.choice(places)
    holder = frame
    for key in path[:-1]:
        holder = holder[key]
    value = holder[path[-1]]
    way = draw.randrange(6)
    if way == 0 and isinstance(holder, dict):
        del holder[path[-1]]
    elif way == 1 and isinstance(value, int):
        moved = value + draw.choice([-1, 1, 10**9, 2**40, -(2**40)])
        holder[path[-1]] = min(max(moved, -(2**63)), 2**64 - 1)  # what MessagePack can hold
    elif way == 2 and isinstance(value, bytes) and len(value) >= 8:
        packed = bytearray(value)
        place = draw.randrange(len(packed) // 8) * 8
        number = draw.choice([n for n in NASTY if type(n) is int and -(2**63) <= n < 2**63])
        packed[place : place + 8] = struct.pack("<q", number)
        holder[path[-1]] = bytes(packed)
    elif way == 3 and isinstance(value, list) and value:
        holder[path[-1]] = value * draw.choice([2, 50])
    elif way == 4 and isinstance(value, str):
        holder[path[-1]] = draw.choice(ESCAPES) + value + draw.choice(ESCAPES)
    else:
        holder[path[-1]] = draw.choice(NASTY)
    return frame


def changed_values(draw: random.Random) -> bytes:
    """A real capture with some values changed."""
    frames = frames_of(draw.choice(list(corpus())))
    for _ in range(draw.choice([1, 1, 2, 10, 40])):
        place = draw.randrange(len(frames))
        frames[place] = changed(draw, frames[place])
    return capture(b"".join(map(packed, frames)))


def shuffled(draw: random.Random) -> bytes:
    """Frames of real captures in another order, doubled, left out, mixed."""
    names = draw.sample(list(corpus()), 2)
    frames = frames_of(names[0]) + (frames_of(names[1]) if draw.random() < 0.5 else [])
    for _ in range(draw.choice([1, 5, 50])):
        one, other = draw.randrange(len(frames)), draw.randrange(len(frames))
        way = draw.randrange(3)
        if way == 0:
            frames[one], frames[other] = frames[other], frames[one]
        elif way == 1:
            frames.insert(one, frames[other])
        elif way == 2:
            del frames[one]
        frames = frames or [{"frame": "bye"}]
    if draw.random() < 0.2:
        frames *= draw.choice([2, 20])
    return capture(b"".join(map(packed, frames)))


def rounding(draw: random.Random) -> bytes:
    """A real capture in which a moment or a duration of rows is far from all others."""
    frames = frames_of(draw.choice(list(corpus())))
    rows = [frame for frame in frames if frame["frame"] == "rows"]
    for _ in range(draw.choice([1, 3])):
        if rows:
            found = draw.choice(rows)
            where = found.get("columns", found)
            name = draw.choice(list(where)) if "columns" in found else "words"
            values = bytearray(where[name])
            place = draw.randrange(max(1, len(values) // 8)) * 8
            far = draw.choice([0, 1, 2**40, 2**50, 2**60, 2**62, 10**18])
            values[place : place + 8] = struct.pack("<q", far)
            where[name] = bytes(values)
    return capture(b"".join(map(packed, frames)))
