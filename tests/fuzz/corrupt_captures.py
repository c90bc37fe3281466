"""Reads very many damaged captures, and reports those that were not read as they should be.

    .venv/bin/python tests/fuzz/corrupt_captures.py --cases 20000      # half an hour
    .venv/bin/python tests/fuzz/corrupt_captures.py --seed 4711 --cases 1   # one case again

Each capture is read whole and told as text and Markdown, or refused in one line. A case fails by an
exception that is no refusal, a control character in what would be printed, a file that is written,
a warning of the file that the reading does not have, or more than `MOST_SECONDS` of CPU time.
Cases are read by processes, ten in each; one fails by more than `MOST_MB` of memory. Exits with 1
if any failed. `fuzz_monitor.py` reads captures that are whole and made to cost much.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import struct
import sys
import tempfile
import time
import unicodedata
import zlib
from pathlib import Path

import msgpack
from mutations import ESCAPES, PREFIX, SECOND, Frames, capture, frames_of, packed

from idlehands_monitor.ingest.capture import CaptureReader
from idlehands_monitor.ingest.capture.format import (
    END,
    FRAMES,
    FRAMES_1,
    HEADER_BYTES,
    INDEX,
    OPENINGS,
    TOTALS,
    encode,
)
from idlehands_monitor.model.errors import CommandError
from idlehands_monitor.session.opening import read_target
from idlehands_monitor.views import markdown, text
from idlehands_monitor.views.foreign_text import clean, safe
from idlehands_monitor.views.sections.head import skipped_lines

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
MOST_MB, MOST_SECONDS = 200, 10.0
BATCH = 10
REAL = [path.read_bytes() for path in sorted(CAPTURES.glob("version-*.idlehands"))]
PREFIX_BYTES = len(PREFIX)
TAGS = (FRAMES_1, FRAMES, OPENINGS, TOTALS, INDEX, END)


def real(draw: random.Random) -> bytes:
    return draw.choice(REAL)


def blocks_of(data: bytes) -> list[bytes]:
    """Return the blocks of a whole capture."""
    found, place = [], PREFIX_BYTES
    while place < len(data):
        (length,) = struct.unpack_from("<I", data, place + 4)
        found.append(data[place : place + HEADER_BYTES + length])
        place += HEADER_BYTES + length
    return found


def flipped(draw: random.Random) -> bytes:
    """A real capture with some bits changed."""
    data = bytearray(real(draw))
    for _ in range(draw.choice([1, 1, 1, 2, 8, 100])):
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    return bytes(data)


def cut(draw: random.Random) -> bytes:
    """A real capture that ends early, or from which a piece is missing."""
    data = real(draw)
    begin = draw.randrange(len(data))
    end = draw.choice([len(data), min(len(data), begin + draw.choice([1, 20, 500]))])
    return data[:begin] + data[end:]


def spliced(draw: random.Random) -> bytes:
    """Blocks of real captures in another order, repeated, left out or of another file."""
    blocks = blocks_of(real(draw))
    for _ in range(draw.choice([1, 2, 10])):
        place = draw.randrange(len(blocks) + 1)
        way = draw.randrange(4)
        if way == 0:
            blocks[place:place] = draw.choices(blocks, k=draw.choice([1, 5, 200]))
        elif way == 1:
            del blocks[place : place + draw.choice([1, 2])]
        elif way == 2:
            blocks[place:place] = [draw.choice(blocks_of(real(draw)))]
        else:
            draw.shuffle(blocks)
        blocks = blocks or [encode(END, 0, b"")]
    return real(draw)[:PREFIX_BYTES] + b"".join(blocks)


def lengths(draw: random.Random) -> bytes:
    """Blocks whose headers claim other lengths, numbers and tags than they have."""
    blocks = [bytearray(block) for block in blocks_of(real(draw))]
    for _ in range(draw.choice([1, 3])):
        block = draw.choice(blocks)
        far = draw.choice([0, 1, 19, 2**16, 2**24, 2**24 + 1, 2**31, 2**32 - 1])
        way = draw.randrange(3)
        if way == 0:
            struct.pack_into("<I", block, 4, far)
        elif way == 1:
            block[:4] = draw.choice([*TAGS, b"ihZ2", b"\0\0\0\0"])
        else:
            number = draw.choice([0, -1, far, 2**63 - 1, -(2**63)])
            body = bytes(block[HEADER_BYTES:])
            block[:] = encode(draw.choice(TAGS), number, body)
    return PREFIX + b"".join(blocks)


def bodies(draw: random.Random) -> bytes:
    """Whole blocks, every checksum right, whose bodies are damaged behind their compression."""
    blocks = []
    for block in blocks_of(real(draw)):
        tag, body = block[:4], block[HEADER_BYTES:]
        if tag in (FRAMES, OPENINGS) and draw.random() < 0.5:
            unpacking = zlib.decompressobj()
            parts = [bytearray(unpacking.decompress(body))]
            parts.append(bytearray(zlib.decompress(unpacking.unused_data)))
            some = draw.choice([part for part in parts if part])
            for _ in range(draw.choice([1, 5])):
                some[draw.randrange(len(some))] = draw.choice([0, 1, 8, 127, 255])
            if draw.random() < 0.2:
                del some[draw.randrange(len(some)) :]
            body = b"".join(zlib.compress(bytes(part)) for part in parts)
        blocks.append(encode(tag, SECOND, body))
    return PREFIX + b"".join(blocks)


def claims(draw: random.Random) -> bytes:
    """Packed rows of which there are said to be very many, in few bytes."""
    many = draw.choice([10**5, 10**6, 2**24, 2**31, 2**53, 2**62])
    table = draw.choice(["tasks", "spawns", "gaps", "waits", "stays", "no table"])
    frame = {
        **{"frame": "packed", "pool": 0, "table": table, "rows": many, "complete_ns": -1},
        "parts": draw.choice([[[0, 0, many]], [[n, 0, 1] for n in range(1000)], [[0, 0, -1]]]),
    }
    body = msgpack.packb(frame)
    data = bytes(draw.choice([0, 3, 60, 15 << 20]))
    both = zlib.compress(struct.pack("<I", len(body)) + body) + zlib.compress(data)
    opening = b"".join(map(packed, frames_of("threads.idlehands")[:3]))
    return capture(opening) + encode(FRAMES, 20 * SECOND, both) * draw.choice([1, 3, 50])


def bombs(draw: random.Random) -> bytes:
    """Blocks that unpack to far more than they are, in each of their streams."""
    zeros = zlib.compress(bytes(draw.choice([1 << 20, 15 << 20, 64 << 20])), 9)
    body = draw.choice([zeros, zlib.compress(b"") + zeros, zeros + zeros])
    tag = draw.choice(TAGS)
    return PREFIX + encode(tag, SECOND, body) * draw.choice([1, 5, 60]) + encode(END, 22, b"")


def named(draw: random.Random) -> bytes:
    """A real capture whose names hold what a terminal or a page would obey."""
    frames: Frames = frames_of(draw.choice(["tide.idlehands", "threads.idlehands"]))
    words = [
        *ESCAPES,
        "<b>&amp;",
        "](http://x)",
        "|\n|",
        "\u2066",
        "`x`",
        "[bold]",
        "@all",
        "\ud800",
    ]

    def word() -> str:
        return draw.choice(["mill", ""]) + draw.choice(words) + draw.choice(["x", *words])

    for frame in frames:
        for key in ("name", "pool_kind", "argv0", "python", "broken", "reason"):
            if key in frame and draw.random() < 0.7:
                frame[key] = word()
        if frame["frame"] == "names":
            frame["task_kinds"] = [word() for _ in frame["task_kinds"]]
            frame["threads"] = [[*row[:3], word(), *row[4:]] for row in frame["threads"]]
        if frame["frame"] == "host" and "waits" in frame:
            frame["waits"] = {thread: word() for thread in frame["waits"]}
    return capture(b"".join(map(packed, frames)))


MAKERS = (
    *(flipped, flipped, flipped, cut, cut, spliced, spliced),
    *(lengths, bodies, bodies, claims, bombs, named, named),
)


def case(seed: int) -> tuple[str, bytes]:
    """Return the name of a way to make a file, and a file made in it, for a seed."""
    draw = random.Random(seed)
    maker = draw.choice(MAKERS)
    return maker.__name__, maker(draw)


def main() -> int:
    """Read all cases."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=0, help="the first case")
    parser.add_argument("--cases", type=int, default=20_000)
    options = parser.parse_args()
    failed, most_mb, began = 0, 0.0, time.monotonic()
    read_target(str(CAPTURES / "version-1.idlehands"), 0.0, causes=False)  # imports
    end = options.seed + options.cases
    with tempfile.TemporaryDirectory() as folder:
        for first in range(options.seed, end, BATCH):
            failures, mb = batch(
                Path(folder, "case.idlehands"), range(first, min(end, first + BATCH))
            )
            failed, most_mb = failed + failures, max(most_mb, mb)
    took = time.monotonic() - began
    print(f"{options.cases} cases, {failed} failed; at most {most_mb:.0f} MB; {took:.0f} s")
    return 1 if failed else 0


def batch(path: Path, seeds: range) -> tuple[int, float]:
    """Read cases in a process of their own; return how many failed, and its peak of memory."""
    sent, taken = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(sent)
        failures = 0
        for seed in seeds:
            resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 28, 1 << 28))
            kind, data = case(seed)
            path.write_bytes(data)
            failures += report(seed, kind, path)
        os.write(taken, struct.pack("<I", failures))
        os._exit(0)
    os.close(taken)
    answer = os.read(sent, 4)
    os.close(sent)
    _, status, used = os.wait4(pid, 0)
    mb = used.ru_maxrss / 1024
    if len(answer) < 4:
        print(f"seeds {seeds}: ended with status {os.waitstatus_to_exitcode(status)}", flush=True)
        return 1, mb
    if mb > MOST_MB:
        print(f"seeds {seeds}: {mb:.0f} MB", flush=True)
    return struct.unpack("<I", answer)[0] + (mb > MOST_MB), mb


def report(seed: int, kind: str, path: Path) -> int:
    """Read one case; print what was wrong with that and return 1, or return 0."""
    before, began = set(os.listdir(path.parent)), time.process_time()
    try:
        failure = read(path)
    except BaseException as error:
        failure = f"{type(error).__name__}: {error}"
    took = time.process_time() - began
    if took > MOST_SECONDS:
        failure = failure or f"{took:.1f} s"
    if set(os.listdir(path.parent)) != before:
        failure = failure or "a file was written"
    if failure:
        print(f"seed {seed} ({kind}, {path.stat().st_size} bytes): {failure}", flush=True)
    return 1 if failure else 0


def read(path: Path) -> str:
    """Read a capture as the commands do; return what is wrong with what they would say."""
    try:
        reading = read_target(str(path), 0.0, causes=False)
    except CommandError as error:
        said = clean(str(error), 2000)
        return "a refusal of more than a line" if "\n" in said else controls(said)
    said = [safe(text.explain(reading)), safe(markdown.render(reading))]
    said += [clean(line, 2000) for line in (*skipped_lines(reading), reading.source.warning)]
    return "".join(map(controls, said)) or unsaid(path, reading)


def controls(said: str) -> str:
    found = {
        letter
        for letter in set(said) - {"\n"}
        if unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp")
    }
    return f"{sorted(found)!a} would be printed" if found else ""


def unsaid(path: Path, reading: object) -> str:
    """Return what is wrong where a file has lost bytes of its blocks and nothing says so."""
    reader = CaptureReader(path)
    whole = sum(HEADER_BYTES + block.packed_bytes for block in reader)
    if reader.warning and not reading.source.warning:
        return "the reading does not say that the file is damaged"
    return "" if whole <= path.stat().st_size else "more blocks than the file has"


if __name__ == "__main__":
    sys.exit(main())
