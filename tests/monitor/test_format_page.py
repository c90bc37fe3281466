"""A second reader of captures, written from docs/capture-format.md alone, finds what ours finds.

It uses nothing of the monitor, and no numpy: the page must be enough for another program.
"""

from __future__ import annotations

import json
import struct
import zlib
from bisect import bisect_left
from pathlib import Path

import msgpack
import pytest

from idlehands.wire import Decoder
from idlehands_monitor.ingest.capture import CaptureReader, CaptureWriter

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
COLUMNS = {
    "tasks": (
        *("task", "parent", "kind", "spawned_ns", "spawned_by", "size"),
        *("started_ns", "ended_ns", "taken_from", "cpu_ns", "outcome"),
    ),
    "waits": ("task", "began_ns", "ended_ns", "on_task", "helped"),
    "gaps": ("began_ns", "ended_ns", "state", "attempts", "woken_by", "woken_ns"),
    "spawns": ("spawned_ns",),
    "stays": ("began_ns", "ended_ns", "pid", "native_id", "how"),
    "meetings": ("at_ns", "owner", "length", "waited_ns"),
}
ORDER = {
    "spawns": ((), ("spawned_ns",), ()),
    "tasks": (
        ("ended_ns", "started_ns"),
        ("cpu_ns", "task", "parent", "kind", "spawned_by", "size", "taken_from", "outcome"),
        ("spawned_ns",),
    ),
    "waits": (("ended_ns", "began_ns"), (), ("task", "on_task", "helped")),
    "gaps": (("ended_ns", "began_ns"), ("state", "attempts", "woken_by", "woken_ns"), ()),
    "stays": ((), COLUMNS["stays"], ()),
    "meetings": ((), COLUMNS["meetings"], ()),
}


def signed(number: int) -> int:
    number %= 1 << 64
    return number - (1 << 64) if number >= 1 << 63 else number


class Columns:
    """Reads columns one after the other."""

    def __init__(self, data: bytes) -> None:
        self.data, self.position = data, 0

    def read(self, known: list[list[int]], rows: int) -> list[int]:
        how, other, planes = self.data[self.position : self.position + 3]
        start, found = self.position + 3, list[int]()
        self.position = start + planes * rows
        for row in range(rows):
            number = sum(self.data[start + p * rows + row] << 8 * p for p in range(planes))
            if how & 8:
                if number == 0:
                    found.append(-1)
                    continue
                number -= 1
            off = number if how & 16 else (number >> 1) ^ -(number & 1)
            predicted = {
                0: lambda: 0,
                1: lambda row=row: found[row - 1] if row else 0,
                2: lambda row=row: known[other][row],
                3: lambda row=row: known[other][row - 1] if row else 0,
                4: lambda row=row: known[other - 1][row] - known[other][row],
            }[how & 7]()
            found.append(signed(predicted + off))
        return found

    def several(self, names, known: list[list[int]], rows: int) -> dict[str, list[int]]:
        found = dict[str, list[int]]()
        for name in names:
            found[name] = self.read([*known, *found.values()], rows)
        return found


def frames_of(body: bytes) -> list[dict]:
    unpacking = zlib.decompressobj()
    frames = Decoder().feed(unpacking.decompress(body))
    columns = Columns(zlib.decompress(unpacking.unused_data))
    groups, process = {}, -1
    for frame in frames:
        if frame["frame"] == "from":
            process = frame["pid"]
        if frame["frame"] == "packed":
            tables = groups.setdefault((process, frame["pool"]), {})
            held = tables.setdefault(frame["table"], {"rows": [], "frames": []})
            held["frames"].append(frame)
            for worker, first, count in frame["parts"]:
                held["rows"] += [(worker, first + n) for n in range(count)]
    for tables in groups.values():
        read_pool(columns, tables)
    return frames


def read_pool(columns: Columns, tables: dict) -> None:
    ranked = [table for table in tables if ORDER[table][0]]
    lines = {}
    if ranked:
        workers = sorted({worker for table in ranked for worker, _ in tables[table]["rows"]})
        first, *counts = columns.read([], 1 + len(workers))
        every = columns.read([], sum(counts))
        for worker, count in zip(workers, counts, strict=True):
            line, now = [], first
            for off in every[:count]:
                now += off
                line.append(now)
            lines[worker], every = line, every[count:]
    for table in ORDER:
        if table in tables:
            read_table(columns, table, tables, lines)


def read_table(columns: Columns, table: str, tables: dict, lines: dict) -> None:
    held = tables[table]
    places = sorted(range(len(held["rows"])), key=lambda place: held["rows"][place][0])
    rows = held["sorted"] = [held["rows"][place] for place in places]
    ranked, plain, last = ORDER[table]
    values = {
        name: [n if n < 0 else lines[row[0]][n] for n, row in zip(column, rows, strict=True)]
        for name, column in columns.several(ranked, [], len(rows)).items()
    }
    values |= columns.several(plain, list(values.values()), len(rows))
    if last:
        one_more = likely(table, rows, values, tables)
        values |= columns.several(last, [*values.values(), one_more], len(rows))
    held["values"] = values
    in_frames = [None] * len(rows)
    for stored, place in enumerate(places):
        in_frames[place] = [values[name][stored] for name in COLUMNS[table]]
    for frame in held["frames"]:
        frame["found"], in_frames = in_frames[: frame["rows"]], in_frames[frame["rows"] :]


def likely(table: str, rows: list, values: dict, tables: dict) -> list[int]:
    if table == "tasks":
        spawns = tables.get("spawns", {"sorted": [], "values": {"spawned_ns": []}})
        numbers = [number for _, number in spawns["sorted"]]
        known = dict(zip(numbers, spawns["values"]["spawned_ns"], strict=True))
        pairs = zip(values["task"], values["started_ns"], strict=True)
        return [known.get(task, started) for task, started in pairs]
    found = []
    for (worker, _), ended in zip(rows, values["ended_ns"], strict=True):
        tasks = tables.get("tasks", {"sorted": [], "values": {"ended_ns": [], "task": []}})
        mine = [place for place, row in enumerate(tasks["sorted"]) if row[0] == worker]
        at = bisect_left([tasks["values"]["ended_ns"][place] for place in mine], ended)
        found.append(tasks["values"]["task"][mine[at]] if at < len(mine) else -1)
    return found


def blocks_of(data: bytes):
    assert data.startswith(b"idlehands capture\n")
    place = 18
    major, _ = struct.unpack_from("<HH", data, place)
    place += 4
    while place < len(data):
        tag, length, checksum, number = struct.unpack_from("<4sIIq", data, place)
        body = data[place + 20 : place + 20 + length]
        summed = tag + struct.pack("<q", number) + body
        assert zlib.crc32(summed if major > 1 else summed[4:]) == checksum
        yield place, tag, number, body
        place += 20 + length


def rows_of_ours(path: Path) -> list:
    found = []
    for block in CaptureReader(path):
        for frame in Decoder().feed(block.frames):
            if frame["frame"] == "rows":
                found.append((frame["pool"], frame["table"], frame["parts"], rows_in(frame)))
    return found


def rows_in(frame: dict) -> list[list[int]]:
    names = COLUMNS[frame["table"]]
    if "columns" in frame:
        columns = [struct.unpack(f"<{frame['rows']}q", frame["columns"][n]) for n in names]
        return [list(row) for row in zip(*columns, strict=True)]
    words = struct.unpack(f"<{len(frame['words']) // 8}q", frame["words"])
    width = len(words) // frame["rows"]
    skip = frame["skip"]
    return [
        list(words[start + skip : start + skip + len(names)])
        for start in range(0, len(words), width)
    ]


def rows_of_theirs(path: Path) -> list:
    found = []
    for _, tag, _, body in blocks_of(path.read_bytes()):
        if tag == b"ihB1":
            frames = Decoder().feed(zlib.decompress(body))
        elif tag == b"ihB2":
            frames = frames_of(body)
        else:
            continue
        for frame in frames:
            if frame["frame"] in ("rows", "packed"):
                rows = frame.get("found") or rows_in(frame)
                found.append((frame["pool"], frame["table"], frame["parts"], rows))
    return found


@pytest.mark.parametrize("path", sorted(CAPTURES.glob("*.idlehands")), ids=lambda path: path.stem)
def test_the_page_is_enough_to_read_every_row_of_a_capture(path):
    found = rows_of_theirs(path)
    assert found == rows_of_ours(path)
    assert sum(len(rows) for *_, rows in found) > 500


def test_a_copy_in_the_present_version_has_the_same_rows(tmp_path):
    writer = CaptureWriter(tmp_path / "copy.idlehands")
    for block in CaptureReader(CAPTURES / "version-1.idlehands"):
        writer.add(block.at_ns, block.frames)
    writer.close()
    assert rows_of_theirs(tmp_path / "copy.idlehands") == rows_of_ours(
        CAPTURES / "version-1.idlehands"
    )


def test_the_page_is_enough_to_read_the_header_and_the_index(tmp_path):
    writer = CaptureWriter(tmp_path / "a.idlehands")
    frames = [{"frame": "cost", "at_ns": 1}, {"frame": "bye", "reason": "x"}]
    for number, frame in enumerate(frames):
        body = msgpack.packb(frame)
        writer.add(number, struct.pack("<I", len(body)) + body)
        writer.flush()
    writer.close()
    blocks = list(blocks_of((tmp_path / "a.idlehands").read_bytes()))
    assert [tag for _, tag, _, _ in blocks] == [b"ihH2", b"ihB2", b"ihB2", b"ihI2", b"ihE2"]
    assert json.loads(blocks[0][3])["idlehands"]
    assert blocks[-1][2] == blocks[-2][0]
    index = zlib.decompress(blocks[-2][3])
    (count,) = struct.unpack_from("<I", index)
    columns = Columns(index[4:])
    rows = list(columns.several(("place", "tag", "number", "rare"), [], count).values())
    tag = int.from_bytes(b"ihB2", "little")
    places = [place for place, kind, _, _ in blocks if kind == b"ihB2"]
    assert rows == [places, [tag, tag], [0, 1], [0, 1]]
