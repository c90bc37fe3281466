"""What a million tasks through a probed thread pool add to the memory of the job.

The job hands in a thousand tasks at a time, so its own queue does not grow, and reports how much
its resident set grew from before its first task to after the last. Run with the probe off, with
nobody attached, and with a reader attached, each in a process of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from support import Row, arguments, finish

BAR_MB = 20.0
TASKS = 1_000_000

JOB = """
import sys
from concurrent.futures import ThreadPoolExecutor, wait

def nothing():
    pass

def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * 4096 / 1e6

tasks = int(sys.argv[1])
with ThreadPoolExecutor(2) as pool:
    wait([pool.submit(nothing) for _ in range(1000)])
    before = resident()
    print("ready", flush=True)
    sys.stdin.readline()
    for _ in range(tasks // 1000):
        wait([pool.submit(nothing) for _ in range(1000)])
    print(resident() - before, flush=True)
    sys.stdin.readline()
"""


def growth(script: Path, tasks: int, *, off: bool = False, attach: bool = False) -> float:
    """Return by how many megabytes the job grew."""
    environment = {**os.environ, "IDLEHANDS_DETAIL": "full", "IDLEHANDS": "off" if off else ""}
    job = subprocess.Popen(
        [sys.executable, "-m", "idlehands", "run", str(script), str(tasks)],
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert job.stdin is not None
    assert job.stdout is not None
    job.stdout.readline()
    reader = None
    if attach:
        from idlehands.wire import folder_path

        path = os.path.join(folder_path(), f"{job.pid}.sock")
        drain = (
            "import socket, sys; s = socket.socket(socket.AF_UNIX); s.connect(sys.argv[1])\n"
            "while s.recv(1 << 18): pass"
        )
        reader = subprocess.Popen([sys.executable, "-c", drain, path])
    job.stdin.write("go\n")
    job.stdin.flush()
    grown = float(job.stdout.readline())
    job.communicate("end\n")
    if reader is not None:
        reader.wait()
    return grown


def main() -> int:
    """Run the job three ways and print what it grew by."""
    parser = arguments(__doc__.splitlines()[0], rounds=1, tasks=TASKS)
    options = parser.parse_args()
    tasks = options.tasks // (10 if options.quick else 1)
    script = Path(__file__).with_name("memory_job.tmp.py")
    script.write_text(JOB)
    try:
        plain = growth(script, tasks, off=True)
        alone, attached = growth(script, tasks), growth(script, tasks, attach=True)
    finally:
        script.unlink()
    rows = [
        Row(f"{tasks} tasks, nobody attached", "growth", alone, BAR_MB, unit="MB"),
        Row(f"{tasks} tasks, a reader attached", "growth", attached, BAR_MB, unit="MB"),
    ]
    return finish(options, rows, [f"without the probe: {plain:.1f} MB"])


if __name__ == "__main__":
    sys.exit(main())
