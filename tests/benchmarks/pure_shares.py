"""The time split of five jobs, each of which spends its time in one way: a table.

A benchmark, never a test: it prints what it measured. `docs/worker-time.md` holds such a table.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import arguments, machine

from helpers import environment
from pure_jobs import JOBS, PureJob, explained

CATEGORIES = ("working", "blocked", "run_queue_wait", "dispatch", "searching", "waking", "starved")
CATEGORIES = (*CATEGORIES, "no_work")


def shares(job: PureJob, seconds: float) -> tuple[dict[str, float], str]:
    """Return (share of each category, the code of the headline) of one run of a job."""
    with tempfile.TemporaryDirectory() as folder:
        sockets = Path(folder) / "sockets"
        sockets.mkdir(mode=0o700)
        document: Any = explained(job, Path(folder), environment(sockets), seconds)
    (pool,) = document["pools"]
    time = pool["worker_time"]
    total = sum(time.values())
    headline = pool["findings"][0]["code"] if pool["findings"] else "none"
    return {category: time[f"{category}_s"] / total for category in CATEGORIES}, headline


def main() -> int:
    """Run every job some times and print the median shares as a table."""
    parser = arguments(__doc__.splitlines()[0], rounds=3, seconds=8)
    options = parser.parse_args()
    rounds = 1 if options.quick else options.rounds
    print(machine())
    print(f"| job | workers | {' | '.join(e.replace('_', ' ') for e in CATEGORIES)} | headline |")
    print("|---" * (len(CATEGORIES) + 3) + "|")
    for job in JOBS:
        try:
            runs = [shares(job, options.seconds) for _ in range(rounds)]
        except OSError as error:
            print(f"{job.name}: {error}", file=sys.stderr)
            continue
        middle = [
            100 * statistics.median(run[category] for run, _ in runs) for category in CATEGORIES
        ]
        cells = " | ".join(f"{value:.1f} %" for value in middle)
        headlines = ", ".join(sorted({headline for _, headline in runs}))
        print(f"| {job.name} | {job.workers} | {cells} | {headlines} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
