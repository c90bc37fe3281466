"""What a watched, a stopped and a killed dashboard cost the demonstration: throughput, memory.

Each round runs the demonstration once with nobody attached, once watched, once with a dashboard
that is stopped (SIGSTOP) after two seconds, once with one that is killed then; the order changes
from round to round. A benchmark, never a test. `docs/benchmarks.md` says how it is judged.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import psutil
from support import Row, arguments, finish

VARIANTS = ("nobody", "watched", "stopped", "killed")
SETTLE_SECONDS = 2.0
UNCHANGED = 0.97
"""Runs of the same demonstration side by side differ by two or three per cent by themselves."""


def run_demo(variant: str, seconds: float) -> tuple[float, float]:
    """Return (tasks per second, megabytes grown after the dashboard's fate) of one run."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        environment = {**os.environ, "IDLEHANDS_DIR": folder}
        demo = subprocess.Popen(
            [sys.executable, "-m", "idlehands_demo", "--for", f"{seconds}s", "--report", report],
            env=environment,
            stdout=subprocess.DEVNULL,
        )
        watcher = None
        while not list(Path(folder).glob("*.sock")):
            time.sleep(0.01)
        if variant != "nobody":
            watcher = subprocess.Popen(
                [sys.executable, "-m", "idlehands", "watch", str(demo.pid), "--no-screen"],
                env=environment,
                stdout=subprocess.DEVNULL,
            )
        time.sleep(SETTLE_SECONDS)
        if watcher is not None and variant == "stopped":
            watcher.send_signal(signal.SIGSTOP)
        if watcher is not None and variant == "killed":
            watcher.kill()
        process = psutil.Process(demo.pid)
        before = largest = process.memory_info().rss
        while demo.poll() is None:
            try:
                largest = max(largest, process.memory_info().rss)
            except psutil.Error:
                break
            time.sleep(0.1)
        demo.wait()
        if watcher is not None:
            watcher.kill()
            watcher.wait()
        finished = json.loads(report.read_text())["tasks_finished"]
    return finished / seconds, (largest - before) / 1e6


def main() -> int:
    """Measure all variants and print them against the first."""
    options = arguments(__doc__.splitlines()[0], rounds=3, seconds=34).parse_args()
    seconds = 8.0 if options.quick else float(options.seconds)
    rounds = 1 if options.quick else options.rounds
    found: dict[str, list[tuple[float, float]]] = {variant: [] for variant in VARIANTS}
    for number in range(rounds):
        turn = number % len(VARIANTS)
        for variant in VARIANTS[turn:] + VARIANTS[:turn]:
            found[variant].append(run_demo(variant, seconds))
    base = [rate for rate, _ in found["nobody"]]
    rows = []
    notes = [f"{rounds} rounds of {seconds:.0f} s each"]
    for variant in VARIANTS:
        rates = [rate for rate, _ in found[variant]]
        ratio = median(rate / least for rate, least in zip(rates, base, strict=True))
        grown = median(megabytes for _, megabytes in found[variant])
        measured = f"{median(rates):.0f} tasks/s, memory grew {grown:.1f} MB afterwards"
        if variant in ("stopped", "killed"):
            name = f"tasks/s of the demonstration, dashboard {variant}"
            rows.append(Row(name, measured, ratio, UNCHANGED, at_least=True))
        else:
            notes.append(f"{variant}: {measured} ({ratio:.3f} x)")
    notes.append("a dashboard that runs takes its own share of the same cores")
    return finish(options, rows, notes)


if __name__ == "__main__":
    sys.exit(main())
