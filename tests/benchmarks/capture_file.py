"""How small a capture is, how soon a large one can be seen, how fast blocks are packed.

A benchmark, never a test: it exits with 0 whether its bars hold or not. `docs/benchmarks.md`
says how each row is judged.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from time import perf_counter, process_time

from made_up_rows import flushes, opening, write_capture
from screen_cost import Screen
from support import Row, arguments, compiled, finish

from idlehands.wire import Decoder
from idlehands_monitor.ingest.capture.packing import pack_frames, unpack_frames

BYTES_BAR, SCREEN_S_BAR, PACKED_BAR = 12.0, 3.0, 2_000_000.0
LARGE_TASKS = 10_000_000
SCREEN_SECONDS = 60.0
STATE = b"replay"
"""In every frame of a replay, from the first one with figures on."""
COMMAND = [sys.executable, "-m", "idlehands"]
BLOCK_BYTES = 4 << 20
MOST = 1 << 30


def bytes_row(rounds: int, seconds: int) -> Row:
    """Row a: bytes a task of captures of the demonstration at its default settings."""
    found = []
    for seed in range(rounds):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "demo.idlehands")
            run = ["demo", "--for", f"{seconds}s", "--no-screen", "--seed", str(seed)]
            subprocess.run([*COMMAND, *run, "--capture", path], check=True, capture_output=True)
            done = subprocess.run(
                [*COMMAND, "explain", path, "--json", "--no-gains"],
                check=True,
                capture_output=True,
            )
            pools = json.loads(done.stdout)["pools"]
            tasks = sum(pool["tasks"]["finished"] for pool in pools)
            found.append((path.stat().st_size / tasks, tasks))
    value = statistics.median(size for size, _ in found)
    measured = f"median of {rounds} runs of {seconds} s, {found[0][1]:,} tasks in the first"
    return Row("a bytes a task", measured, value, BYTES_BAR, "bytes")


def screen_row(rounds: int, tasks: int) -> Row:
    """Row b: from the start of `idlehands watch FILE` to its first screen with figures."""
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "large.idlehands")
        write_capture(path, tasks)
        size = os.path.getsize(path) / 1e6
        with compiled() as environment:
            os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
            os.environ.update(environment)
            took = [first_screen(path) for _ in range(rounds + 1)][1:]
    measured = f"median of {rounds}, {tasks:,} tasks in {size:.0f} MB"
    return Row("b first screen", measured, statistics.median(took), SCREEN_S_BAR, "s")


def first_screen(path: str) -> float:
    """Return the seconds to the first screen."""
    began = perf_counter()
    screen = Screen(path, STATE)
    try:
        while not screen.frames:
            if perf_counter() - began > SCREEN_SECONDS:
                raise RuntimeError(f"no screen: {screen.last[-400:]!r}")
            time.sleep(0.01)
        return perf_counter() - began
    finally:
        screen.close()


def packing_rows(rounds: int, tasks: int) -> list[Row]:
    """Rows c: rows a second that one thread packs, and unpacks, blocks of 4 MiB of them."""
    blocks, block, rows = [], bytearray(opening()), 0
    decoder = Decoder()
    for _, frames in flushes(tasks):
        block += frames
        rows += sum(frame.get("rows", 0) for frame in decoder.feed(frames))
        if len(block) > BLOCK_BYTES:
            blocks.append(bytes(block))
            block.clear()
    blocks.append(bytes(block))
    packing, unpacking = [], []
    for _ in range(rounds):
        began = process_time()
        bodies = [pack_frames(block).body for block in blocks]
        middle = process_time()
        for body in bodies:
            unpack_frames(body, MOST)
        packing.append(rows / (middle - began))
        unpacking.append(rows / (process_time() - middle))
    size = sum(map(len, bodies)) / tasks
    measured = f"median of {rounds}, {rows:,} rows, {tasks:,} of tasks, {size:.1f} bytes a task"
    return [
        Row(name, measured, statistics.median(rates), PACKED_BAR, "rows/s of CPU time", True)
        for name, rates in (("c packing", packing), ("c unpacking", unpacking))
    ]


def main() -> int:
    """Run all rows and print them."""
    parser = arguments(__doc__.splitlines()[0], rounds=3, seconds=20, tasks=LARGE_TASKS)
    options = parser.parse_args()
    less = 10 if options.quick else 1
    rows = [
        bytes_row(
            1 if options.quick else options.rounds, options.seconds // (4 if less > 1 else 1)
        ),
        *packing_rows(options.rounds, min(options.tasks, LARGE_TASKS) // less // 20),
        screen_row(options.rounds, options.tasks // less),
    ]
    return finish(options, rows, [])


if __name__ == "__main__":
    sys.exit(main())
