"""Hostile captures: a grammar of made-up frames, and files that claim, grow or cost much.

Everything is drawn from a `random.Random`, so that a seed makes the same file again.
"""

from __future__ import annotations

import random
import struct
import zlib
from typing import Any, Callable

from mutations import (
    ESCAPES,
    NASTY,
    PREFIX,
    SECOND,
    Frames,
    capture,
    changed_values,
    flipped_file,
    flipped_frames,
    packed,
    rounding,
    shuffled,
)

from idlehands.wire import STEAL_ATTEMPTS, TABLES


def number(draw: random.Random) -> int:
    """A number that is likely to be in range, or just out of it."""
    return draw.choice(
        [0, 1, -1, 2, draw.randrange(8), draw.randrange(1024), draw.randrange(20 * SECOND)]
        + [draw.choice([n for n in NASTY if type(n) is int])] * (draw.random() < 0.05)
    )


def word(draw: random.Random) -> str:
    """A name with something in it that a terminal would obey."""
    return draw.choice(["pool", "", "kind " * 60, "näm", "名前"]) + draw.choice([*ESCAPES, ""])


def column(draw: random.Random, rows: int) -> bytes:
    """A column of so many rows."""
    base, step = number(draw), draw.choice([0, 1, 1000, SECOND])
    values = [base + place * step + draw.choice([0, number(draw)]) for place in range(rows)]
    return struct.pack(f"<{rows}q", *(max(-(2**63), min(2**63 - 1, value)) for value in values))


def rows_frame(draw: random.Random, pool: int, workers: int) -> dict[str, Any]:
    """Rows of random values."""
    table = TABLES[draw.choice(list(TABLES))]
    rows = draw.choice([0, 1, 3, 100])
    if draw.random() < 0.9:
        columns = plausible(draw, table.names, rows, workers)
    else:
        columns = {name: column(draw, rows) for name in table.names if draw.random() < 0.95}
    worker = draw.randrange(-1, max(1, workers)) if draw.random() < 0.9 else number(draw)
    parts = [[worker, draw.choice([0, number(draw)]), rows]]
    return {
        **{"frame": "rows", "pool": pool, "table": table.name, "columns": columns},
        **(
            {"parts": parts}
            if draw.random() < 0.9
            else dict(zip(("worker", "first", "rows"), parts[0], strict=True))
        ),
    }


def plausible(
    draw: random.Random, names: tuple[str, ...], rows: int, workers: int
) -> dict[str, bytes]:
    """Columns whose values are within their ranges, and mean nothing together."""
    found = {}
    for name in names:
        if name.endswith("_ns"):
            values = [draw.randrange(20 * SECOND) for _ in range(rows)]
        elif name in ("outcome", "state", "how"):
            values = [draw.randrange(2) for _ in range(rows)]
        elif name in ("spawned_by", "taken_from", "woken_by", "owner"):
            values = [draw.randrange(-1, draw.choice([workers or 1, 1024])) for _ in range(rows)]
        else:
            values = [draw.randrange(-1, 1000) for _ in range(rows)]
        found[name] = struct.pack(f"<{rows}q", *values)
    return found


def names_frame(draw: random.Random, pool: int, workers: int) -> dict[str, Any]:
    """A pool with hostile names."""
    listed = range(min(workers, draw.choice([0, 4, 5000])))
    return {
        **{"frame": "names", "pool": pool, "name": word(draw), "workers": workers},
        **{"pool_kind": draw.choice(["work-stealing", "thread pool", word(draw)])},
        **{"declared_ns": number(draw), "closed_ns": draw.choice([-1, -1, number(draw)])},
        **{"shared_queue": draw.random() < 0.5, "tells_meetings": draw.random() < 0.5},
        **({"first_dead": [[number(draw), number(draw)]]} if draw.random() < 0.1 else {}),
        **{"broken": draw.choice(["", word(draw)]), "task_kinds": [word(draw) for _ in range(3)]},
        **{"steps": [[number(draw), draw.randrange(4)]], "sampled_by": "spawned_ns"},
        "threads": [[n, 100 + n, n, word(draw), draw.choice([1, 77])] for n in listed],
    }


def levels_frame(draw: random.Random, pool: int, workers: int) -> dict[str, Any]:
    """Present levels, some of them of workers that there are not."""
    most = draw.choice([workers, 3, 2000])
    intervals = [
        [0, 1, -1, 0, number(draw), -1, -1, number(draw), -2],
        *([1, number(draw), 3], [2, number(draw), 1], [3, number(draw)]),
    ]
    return {
        **{"frame": "levels", "pool": pool, "at_ns": draw.choice([number(draw), 20 * SECOND])},
        **{"inbox": draw.randrange(9), "deques": [draw.randrange(9)] * most, "misuses": 0},
        "workers": [draw.sample(intervals, draw.randrange(4)) for _ in range(most)],
        **{"ran": [draw.randrange(100)] * most, "spawned": draw.choice([-1, 1000])},
    }


def counters_frame(draw: random.Random, pool: int, workers: int) -> dict[str, Any]:
    """Steal attempts."""
    rows = draw.choice([1, 10, 1000])
    columns = {
        name: struct.pack(f"<{rows}q", *(draw.randrange(max(1, workers)) for _ in range(rows)))
        for name in STEAL_ATTEMPTS
    }
    return {"frame": "counters", "pool": pool, "columns": columns}


def other_frame(draw: random.Random, pool: int, workers: int) -> dict[str, Any]:
    """One of the frames that are of no pool."""
    ids = range(100, 100 + draw.choice([1, workers or 1, 4000]))
    stack = [[word(draw), word(draw), number(draw)] for _ in range(draw.choice([1, 40]))]
    return draw.choice(
        [
            {"frame": "from", "pid": draw.choice([1, 2, number(draw)])},
            {"frame": "hello", "version": draw.randrange(1, 4), "pid": number(draw),
             "argv0": word(draw), "python": word(draw), "sampled": draw.random() < 0.3,
             "now_ns": number(draw), "wall_ns": number(draw)},
            {"frame": "lost", "pool": pool, "table": "tasks", "worker": 0, "rows": number(draw)},
            {"frame": "bye", "reason": word(draw)},
            {"frame": "withdrawn", "pool": draw.choice([pool, number(draw)])},
            {"frame": "cost", "at_ns": number(draw), "recording_ns": 5, "sending_ns": 5},
            {"frame": "host", "at_ns": number(draw),
             "threads": {n: [number(draw), number(draw)] for n in ids},
             "waits": {n: draw.choice(["lock", "sleep", word(draw)]) for n in ids},
             "moments": {n: number(draw) for n in ids}, "gone": draw.choice([[], list(ids)]),
             "switches": {n: [1, 2, number(draw)] for n in ids}},
            {"frame": "window", "begin_ns": number(draw), "length_ns": number(draw)},
            {"frame": "mark", "at_ns": number(draw), "note": word(draw)},
            {"frame": "process", "pid": draw.choice([1, number(draw)]), "at_ns": number(draw),
             "minor_faults": number(draw), "resident_bytes": number(draw),
             "started_ns": number(draw), "usable_cores": draw.choice([1, 0.5, float("nan")])},
            {"frame": "stacks", "pid": 1, "at_ns": number(draw), "threads": [
                {"native_id": n, "ident": n, "name": word(draw), "wait": word(draw),
                 "frames": stack} for n in list(ids)[:50]]},
            {"frame": word(draw), "x": 1},
        ]
    )  # fmt: skip


def hostile(draw: random.Random) -> bytes:
    """A capture of made-up frames."""
    workers = draw.choice([0, 1, 2, 8, 8, 64, 1024, 5000])
    makers: list[Callable[..., dict[str, Any]]] = [
        *([rows_frame] * 6 + [levels_frame, counters_frame, other_frame, names_frame])
    ]
    sampled = draw.random() < 0.2
    frames: Frames = [
        {"frame": "hello", "version": 3, "pid": 1, "argv0": word(draw), "sampled": sampled}
    ]
    pools = draw.choice([1, 1, 3, 300])
    frames += [names_frame(draw, pool, workers) for pool in range(pools)]
    for _ in range(draw.choice([5, 50, 200])):
        frames.append(draw.choice(makers)(draw, draw.randrange(pools), workers))
    frames += [levels_frame(draw, pool, workers) for pool in range(pools)]
    wires = b"".join(map(packed, frames))
    return capture(wires[: 7 << 20])


# Files that claim, and files that grow


def claims(draw: random.Random) -> bytes:
    """A small frame that claims much."""
    many = draw.choice([2**31, 2**31 - 1, 2**53, 10**9])
    rows = {"frame": "rows", "pool": 0, "table": "tasks", "complete_ns": -1}
    frame = draw.choice(
        [
            {**rows, "parts": [[0, 0, many]], "columns": {}},
            {**rows, "worker": 0, "first": 0, "rows": many, "columns": {"task": b""}},
            {**rows, "parts": [[0, 0, many]], "words": b"", "skip": 0},
            {**rows, "parts": [[0, 0, 1]], "words": bytes(8), "skip": many},
            {**rows, "parts": [[0, 0, 0]] * 60_000, "columns": {"task": b""}},
            {**rows, "parts": [[0, many, 1]], "columns": {"task": bytes(8)}},
        ]
    )
    head = [{"frame": "hello", "version": 3, "pid": 1}, names_frame(draw, 0, 8)]
    return capture(b"".join(map(packed, [*head, frame, levels_frame(draw, 0, 8)])))


def grows(draw: random.Random) -> bytes:
    """A file of much the same frames, that packs a hundredfold."""
    head = packed({"frame": "hello", "version": 3, "pid": 1})
    way = draw.randrange(8)
    if way == 0:
        frame = b"\xdf\x00\x00\x00\x01\xa5frame" + b"\x91" * 900 + b"\xc0"
        frame = struct.pack("<I", len(frame)) + frame
    elif way == 1:
        frame = packed({"frame": "bye", "reason": "x"})
    elif way == 2:
        frame = packed({"frame": "bye", "reason": [[]] * 1_000_000})
    elif way == 3:
        frame = packed(names_frame(draw, 0, 1024)) + packed(levels_frame(draw, 0, 1024))
    elif way == 4:
        frame = packed({"frame": "from", "pid": 5}) + head
    elif way == 5:
        frame = packed(rows_frame(draw, 0, 8))
    elif way == 6:
        frame = packed(other_frame(draw, 0, 64))
    else:
        return capture(
            head + b"".join(packed(names_frame(draw, n, 1024)) for n in range(20))
            + b"".join(packed(levels_frame(draw, n, 1024)) for n in range(20))
        )  # fmt: skip
    head += packed({**names_frame(draw, 0, 8), "closed_ns": -1, "task_kinds": ["a"]})
    block = (head + frame * max(1, (7 << 20) // len(frame)))[: 7 << 20]
    return capture(*([block] * draw.choice([1, 1, 8])))


def costly(draw: random.Random) -> bytes:
    """A small file that sets up as much as there may be, and then has all of it gone through."""
    pools, workers = draw.choice([(1, 1024), (512, 16), (512, 1), (8, 1024), (1000, 2)])
    shared = draw.random() < 0.5
    head: Frames = [{"frame": "hello", "version": 3, "pid": 1}]
    for pool in range(pools):
        head.append(plain_names(pool, workers, shared))
        head.append({**rows_frame(draw, pool, workers), "table": "tasks"})
        head.append(plain_levels(pool, SECOND))
    head.append(
        {"frame": "rows", "pool": 0, "table": "tasks", "parts": [[n, 0, 0] for n in range(16384)],
         "words": b"", "skip": 0}
    )  # fmt: skip
    some: Frames = [
        plain_levels(0, SECOND),
        plain_levels(0, 2 * SECOND),
        {**plain_levels(0, SECOND), "workers": [[[2, 1, 1]]] * 100},
        plain_names(0, workers, shared),
        plain_names(0, max(1, workers // 2), shared),
        {**plain_names(draw.randrange(5000), workers, shared), "closed_ns": 5},
        {"frame": "host", "at_ns": SECOND, "threads": {}, "gone": [draw.randrange(9000)]},
        {"frame": "counters", "pool": 0, "columns": dict.fromkeys(STEAL_ATTEMPTS, bytes(8))},
        {"frame": "lost", "pool": 0, "table": "tasks", "worker": 0, "rows": 1},
        {"frame": "from", "pid": draw.randrange(3)},
        {"frame": "hello", "version": 3, "pid": 1},
    ]
    tail = b"".join(map(packed, draw.sample(some, draw.randrange(1, 5))))
    begin = b"".join(map(packed, head))
    return capture((begin + tail * ((7 << 20) // len(tail)))[: 7 << 20])


def plain_names(pool: int, workers: int, shared: bool) -> dict[str, Any]:
    """A pool with a thread for each worker."""
    return {
        **{"frame": "names", "pool": pool, "name": "p", "workers": workers, "declared_ns": 0},
        **{"pool_kind": "thread pool" if shared else "work-stealing", "shared_queue": shared},
        **{"closed_ns": -1, "task_kinds": ["a"]},
        "threads": [[n, pool * workers + n + 1, 1, ""] for n in range(workers)],
    }


def plain_levels(pool: int, at_ns: int) -> dict[str, Any]:
    """Levels of a pool that does nothing."""
    return {
        **{"frame": "levels", "pool": pool, "at_ns": at_ns, "inbox": 0, "deques": []},
        **{"workers": [], "misuses": 0, "ran": [], "spawned": -1},
    }


def bombs(draw: random.Random) -> bytes:
    """Blocks that unpack to nothing of sense, or to far more than they are."""
    body = zlib.compress(bytes(draw.choice([1 << 10, 15 << 20, 40 << 20])), 9)
    at_ns = struct.pack("<q", draw.choice([0, 10 * SECOND, -(2**63), 2**63 - 1]))
    head = struct.pack("<4sII", b"ihB1", len(body), zlib.crc32(body, zlib.crc32(at_ns))) + at_ns
    return PREFIX + (head + body) * draw.choice([1, 5, 60])


MAKERS = (
    *(flipped_file, flipped_frames, flipped_frames, changed_values, changed_values, changed_values),
    *(shuffled, hostile, hostile, hostile, claims, grows, costly, rounding, rounding, bombs),
)


def made(seed: int) -> tuple[str, bytes]:
    """Return the name of a way to make a file, and a file made in it, for a seed."""
    draw = random.Random(seed)
    maker = draw.choice(MAKERS)
    return maker.__name__, maker(draw)
