"""The body of a block: the frames of a stream with their rows packed. Pure: bytes to bytes.

A body is two zlib streams (RFC 1950), one behind the other. The first holds the frames as on the
wire, except that a frame of rows is of the kind ``packed`` and has no columns, words and skip.
The second holds the rows that these frames had: all rows of one table of one pool in the block are
one group, see `groups`.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from idlehands.wire import NONE, TABLES, Decoder, WireError, encode

from ...model.arrays import Int64
from ..decoding import parsed
from .columns import INTEGER_BYTES, Damaged
from .groups import Group, Rows, pack_groups, unpack_groups

if TYPE_CHECKING:
    from collections.abc import Iterator

    from idlehands.wire import Frame, Table

FRAME_LEVEL, FEW_ROWS_LEVEL, ROWS_LEVEL = 6, 9, 1
MANY_BYTES = 1 << 18
"""Frames, and rows up to so many bytes, are few, so they may take longer."""
LENGTH_BYTES = 4
MOST_FRAMES, MOST_PACKED = 1 << 19, 1 << 15
"""Of one block; a writer leaves the rows of further frames as they are."""
ROWS, PACKED, FROM = b"rows", b"packed", b"from"
COMMON = {ROWS, PACKED, FROM, b"counters", b"levels", b"lost", b"cost", b"host", b"process"}
"""The kinds of frames of which a stream has many; all others are rare."""


class PackingError(ValueError):
    """The bytes are no body of a block, or unpack to too much."""


@dataclass(frozen=True, slots=True)
class Packed:
    """The body of a block, the rows that are in it, and its rare frames.

    rare: (process that a frame is from, -1 unknown; its kind; its bytes).
    """

    body: bytes
    rows: dict[Group, Rows]
    rare: list[tuple[int, bytes, bytes]]


def kind_of(raw: bytes) -> bytes:
    """Return the kind of a frame from its bytes, length included; empty if that is not its first
    key, as it is in what a probe sends."""
    head = raw[LENGTH_BYTES : LENGTH_BYTES + 42]
    keys = 3 if head[:1] == b"\xde" else 1  # a map of up to 65,535 keys, or of up to 15
    if keys == 1 and not b"\x80" <= head[:1] <= b"\x8f":
        return b""
    word = head[keys + 6 :]
    if head[keys : keys + 6] != b"\xa5frame" or not word or word[0] & 0xE0 != 0xA0:
        return b""
    return word[1 : 1 + (word[0] & 0x1F)]


def pack_frames(frames: bytes) -> Packed:
    """Return whole frames as the body of a block."""
    groups: dict[Group, Rows] = {}
    kept: list[bytes] = []
    rare: list[tuple[int, bytes, bytes]] = []
    process = NONE
    for raw in _split(frames):
        kind = kind_of(raw)
        if kind == FROM:
            process = _process(raw)
        has_room = len(kept) < MOST_PACKED
        if kind == ROWS and has_room and (without := _taken_out(raw, process, groups)) is not None:
            kept.append(without)
        elif kind != PACKED:  # no probe sends any
            kept.append(raw)
            if kind not in COMMON:
                rare.append((process, kind, raw))
    rows = pack_groups(groups)
    level = ROWS_LEVEL if len(rows) > MANY_BYTES else FEW_ROWS_LEVEL
    body = zlib.compress(b"".join(kept), FRAME_LEVEL) + zlib.compress(rows, level)
    return Packed(body, groups, rare)


def unpack_frames(body: bytes, most: int) -> bytes:
    """Return the frames in the body of a block, at most so many bytes. Raises PackingError."""
    kept, rest = unzip(body, most)
    data, _ = unzip(rest, most)
    try:
        return b"".join(_put_back(kept, memoryview(data), most))
    except (Damaged, WireError) as error:
        raise PackingError(str(error)) from error


def unzip(data: bytes, most: int) -> tuple[bytes, bytes]:
    """Return what a zlib stream unpacks to, at most so many bytes, and what follows it.

    Raises PackingError.
    """
    unpacking = zlib.decompressobj()
    try:
        found = unpacking.decompress(data, most)
    except zlib.error as error:
        raise PackingError(str(error)) from error
    if unpacking.unconsumed_tail or not unpacking.eof:
        raise PackingError("unpacks to more than a block may hold, or is cut off")
    return found, unpacking.unused_data


def _split(frames: bytes) -> Iterator[bytes]:
    """Yield the frames; what is no frame is yielded as it is, for a reader to judge."""
    decoder, position = Decoder(), 0
    try:
        for raw in decoder.split(frames):
            position += len(raw)
            yield raw
    except WireError:
        pass
    if position < len(frames):
        yield frames[position:]


def _process(raw: bytes) -> int:
    frame = parsed_frame(raw)
    pid = frame.get("pid", NONE) if frame is not None else NONE
    return pid if type(pid) is int else NONE


def parsed_frame(raw: bytes) -> Frame | None:
    """Return the map in a frame with its length, None where there is none."""
    try:
        return parsed(memoryview(raw)[LENGTH_BYTES:])
    except WireError:  # a key twice, the second time as a hello
        return None


def _taken_out(raw: bytes, process: int, groups: dict[Group, Rows]) -> bytes | None:
    """Put a frame's rows into their group, and return the frame without them.

    Returns None for a frame that is not as a probe sends it; such a frame is stored as it is.
    """
    frame = parsed_frame(raw)
    table = TABLES.get(frame["table"]) if frame and type(frame.get("table")) is str else None
    if frame is None or table is None or not _is_packable(frame):
        return None
    values = _values(frame, table)
    if values is None:
        return None
    group = groups.setdefault((process, frame["pool"], table.name), Rows())
    group.parts += map(tuple, frame["parts"])
    group.values.append(values)
    rest = {key: frame[key] for key in frame if key not in ("frame", "columns", "words", "skip")}
    return encode({"frame": PACKED.decode(), **rest})


def _is_packable(frame: Frame) -> bool:
    """Return whether a frame says plainly which rows it has."""
    parts, rows = frame.get("parts"), frame.get("rows")
    return (
        type(frame.get("pool")) is int
        and type(rows) is int
        and rows > 0
        and type(parts) is list
        and all(type(part) is list and len(part) == 3 for part in parts)
        and all(type(n) is int and abs(n) < 2**62 for part in parts for n in part)
        and all(part[2] >= 0 for part in parts)
        and sum(part[2] for part in parts) == rows
    )


def _values(frame: Frame, table: Table) -> Int64 | None:
    """Return the values of a frame, shape (columns, rows); None where they are not all known."""
    rows, columns = frame["rows"], len(table.names)
    if "words" in frame:
        words, skip = frame["words"], frame.get("skip")
        if type(words) is not bytes or type(skip) is not int or skip < 0:
            return None
        if len(words) != INTEGER_BYTES * rows * (skip + columns):
            return None
        return np.frombuffer(words, dtype="<i8").reshape(rows, -1)[:, skip:].T
    found = frame.get("columns")
    if type(found) is not dict or tuple(found) != table.names:
        return None
    if any(type(one) is not bytes or len(one) != INTEGER_BYTES * rows for one in found.values()):
        return None
    return np.frombuffer(b"".join(found.values()), dtype="<i8").reshape(columns, rows)


def _packed_frames(kept: bytes) -> list[tuple[Group, Frame]]:
    """Return the frames of packed rows, each with its group. Raises PackingError."""
    found: list[tuple[Group, Frame]] = []
    process = NONE
    for count, raw in enumerate(_split(kept)):
        if count > MOST_FRAMES or len(found) > MOST_PACKED:
            raise PackingError("more frames than a block may hold")
        kind = kind_of(raw)
        if kind == FROM:
            process = _process(raw)
        elif kind == PACKED:
            frame = parsed_frame(raw)
            if frame is None or frame.get("table") not in TABLES or not _is_packable(frame):
                raise PackingError("packed rows of no table")
            found.append(((process, frame["pool"], frame["table"]), frame))
    return found


def _put_back(kept: bytes, data: memoryview, most: int) -> Iterator[bytes]:
    """Yield the frames as they were on the wire, with their rows. Raises Damaged, PackingError."""
    groups: dict[Group, Rows] = {}
    packed = _packed_frames(kept)
    for group, frame in packed:
        groups.setdefault(group, Rows()).parts += map(tuple, frame["parts"])
    for (_, _, name), held in groups.items():
        most -= sum(rows for _, _, rows in held.parts) * len(TABLES[name].names) * INTEGER_BYTES
    if most < 0:
        raise PackingError("unpacks to more than a block may hold")
    values, taken = unpack_groups(data, groups), dict.fromkeys(groups, 0)
    with_rows = iter(packed)
    for raw in _split(kept):
        if kind_of(raw) != PACKED:
            yield raw
            continue
        group, frame = next(with_rows)
        begin, taken[group] = taken[group], taken[group] + frame["rows"]
        yield _as_sent(frame, TABLES[group[2]], values[group][:, begin : taken[group]])


def _as_sent(frame: Frame, table: Table, values: Int64) -> bytes:
    columns: dict[str, Any] = {
        name: column.astype("<i8", copy=False).tobytes()
        for name, column in zip(table.names, values, strict=True)
    }
    return encode({**frame, "frame": ROWS.decode(), "columns": columns})
