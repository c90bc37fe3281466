"""How fast the monitor takes rows in, explains a large capture, sweeps it, answers --help.

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
from time import perf_counter

from made_up_rows import opening, task_frames, write_capture
from support import Row, arguments, compiled, finish

from idlehands_monitor.analysis.time.worker_time import pool_time
from idlehands_monitor.ingest import StreamFrames
from idlehands_monitor.ingest.sources.replay import ReplaySource
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.session.feed import Feed

ROWS_BAR = 2_000_000
EXPLAIN_S_BAR, EXPLAIN_MB_BAR, HELP_MS_BAR, SWEEP_BAR = 5.0, 600.0, 60.0, 1.0
PIECE_BYTES = 1 << 18
"""What the live source reads from a socket at a time."""
COMMAND = [sys.executable, "-m", "idlehands"]
MEASURED = """
import json, resource, subprocess, sys, time
began = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.PIPE)
took = time.perf_counter() - began
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(json.dumps([done.returncode, took, peak, len(done.stdout)]))
"""
"""Runs a command from a small process: a child's peak memory counts what it was forked from."""


def intake_row(rounds: int, rows: int) -> Row:
    """Row a: rows per second through `StreamFrames.feed` and `Ledger.apply`, in one thread."""
    stream = opening() + b"".join(task_frames(rows))
    rates = []
    for _ in range(rounds):
        decoder, ledger = StreamFrames(), Ledger()
        began = perf_counter()
        for start in range(0, len(stream), PIECE_BYTES):
            for frame, _ in decoder.feed(stream[start : start + PIECE_BYTES]):
                ledger.apply(frame)
        rates.append(len(ledger.pools[0].tasks) / (perf_counter() - began))
        assert not ledger.skipped
        assert len(ledger.pools[0].tasks) == rows
    measured = f"median of {rounds} of {rows:,} rows, slowest {min(rates):,.0f} rows/s"
    return Row(
        "a intake of task rows", measured, statistics.median(rates), ROWS_BAR, "rows/s", True
    )


def run_measured(
    command: list[str], environment: dict[str, str] | None = None
) -> tuple[float, float, int]:
    """Return (wall seconds, peak MB, bytes of output) of a command that has to succeed."""
    answer = subprocess.run(
        [sys.executable, "-c", MEASURED, *command],
        check=True,
        stdout=subprocess.PIPE,
        env=environment,
    )
    status, took, peak_kb, output = json.loads(answer.stdout)
    if status:
        raise RuntimeError(f"{' '.join(command[-3:])} ended with status {status}")
    return took, peak_kb / 1024, output


def explain_rows(rounds: int, tasks: int) -> list[Row]:
    """Rows b: `idlehands explain FILE --json` on a made-up capture."""
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "large.idlehands")
        write_capture(path, tasks)
        size = os.path.getsize(path) / 1e6
        command = [*COMMAND, "explain", path, "--json"]
        with compiled() as environment:
            runs = [run_measured(command, environment) for _ in range(rounds + 1)][1:]
    took = statistics.median(run[0] for run in runs)
    peak = max(run[1] for run in runs)
    measured = f"median of {rounds}, {tasks:,} tasks in {size:.0f} MB"
    return [
        Row("b explain of a capture: time", measured, took, EXPLAIN_S_BAR, "s"),
        Row("b explain of a capture: peak memory", "the largest", peak, EXPLAIN_MB_BAR, "MB"),
    ]


def sweep_row(rounds: int, tasks: int) -> Row:
    """Row d: the worker time of a whole made-up capture, held in memory, in one thread."""
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "large.idlehands")
        write_capture(path, tasks)
        source = ReplaySource(path, 1.0)
        feed = Feed(source, None, keep=True)
        source.play_all()
        feed.update()
    (pool,) = feed.ledger.pools.values()
    took = []
    for _ in range(rounds + 1):
        began = perf_counter()
        time = pool_time(pool, feed.ledger.host, pool.complete_from_ns, pool.complete_ns)
        took.append(perf_counter() - began)
        assert time.pool.total == pool.workers * time.recorded_ns
    measured = f"median of {rounds} of {tasks:,} rows, the first, with cold caches, {took[0]:.2f} s"
    return Row("d worker time of task rows", measured, statistics.median(took[1:]), SWEEP_BAR, "s")


def help_row(rounds: int) -> tuple[Row, list[str]]:
    """Row c: `idlehands --help`, beside a bare interpreter."""
    helps, bare = [], []
    with compiled() as environment:
        run_measured([*COMMAND, "--help"], environment)  # compiles
        for _ in range(rounds):
            helps.append(run_measured([*COMMAND, "--help"], environment)[0] * 1e3)
            bare.append(run_measured([sys.executable, "-c", "pass"], environment)[0] * 1e3)
    row = Row(
        "c idlehands --help", f"median of {rounds}", statistics.median(helps), HELP_MS_BAR, "ms"
    )
    return row, [f"row c: a bare interpreter takes {statistics.median(bare):.1f} ms"]


def main() -> int:
    """Run all rows and print them."""
    parser = arguments(__doc__.splitlines()[0], rounds=5, tasks=1_000_000)
    options = parser.parse_args()
    tasks = options.tasks // (10 if options.quick else 1)
    rounds = 2 if options.quick else options.rounds
    help_found, notes = help_row(rounds * 4)
    rows = [
        intake_row(rounds, tasks),
        *explain_rows(min(3, rounds), tasks),
        help_found,
        sweep_row(rounds, tasks),
    ]
    return finish(options, rows, notes)


if __name__ == "__main__":
    sys.exit(main())
