"""Command line of the demonstration: run a scenario in a process of its own."""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Callable, NoReturn

from .faults import ALL_POOLS, FAULTS, NO_FAULT, STEALING, Fault, PoolChoice
from .scenarios import Outcome, Settings
from .stock import run_stock_archive
from .tide import run_tide_archive, run_twin_archives

SCENARIOS: dict[str, tuple[str, Callable[[Settings, threading.Event], Outcome]]] = {
    "tide-archive": (
        "an invented harbour authority's tide gauges, evaluated by divide and conquer",
        run_tide_archive,
    ),
    "twin-archives": (
        "two such archives, each in a pool of half the workers",
        run_twin_archives,
    ),
}

UNITS = {"ms": 0.001, "s": 1.0, "m": 60.0, "h": 3600.0}
MOST_WORKERS = 256
PARENT_POLL_SECONDS = 0.5


def duration(text: str) -> float:
    """Return the seconds of `500ms`, `20s`, `5m`, `1h` or a bare number of seconds."""
    match = re.fullmatch(r"(\d+(?:\.\d*)?|\.\d+)(ms|s|m|h)?", text.strip())
    seconds = float(match[1]) * UNITS[match[2] or "s"] if match else 0.0
    # A wait longer than a year overflows the clock calls underneath.
    if not 0.0 < seconds <= 3.15e7:
        raise argparse.ArgumentTypeError(f"{text!r} is no duration such as 500ms, 20s or 5m")
    return seconds


def worker_count(text: str) -> int:
    """Return a number of workers, 1 to `MOST_WORKERS`."""
    if not text.isdecimal() or not 1 <= int(text) <= MOST_WORKERS:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of workers, 1 to {MOST_WORKERS}")
    return int(text)


def seed_number(text: str) -> int:
    """Return a seed, a whole number from 0."""
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} is no seed, a whole number from 0")
    return int(text)


class OneLineParser(argparse.ArgumentParser):
    """A parser whose complaints are one line, with exit status 2."""

    def error(self, message: str) -> NoReturn:
        """Print `message` and exit."""
        self.exit(2, f"{self.prog}: {message}\n")


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = OneLineParser(
        prog="idlehands demo", description="Run a work-stealing pool on invented data."
    )
    parser.add_argument(
        "scenario",
        nargs="?",
        default="tide-archive",
        metavar="SCENARIO",
        help="which scenario (default: tide-archive)",
    )
    parser.add_argument("--workers", type=worker_count, default=8, metavar="N")
    parser.add_argument(
        "--for",
        type=duration,
        dest="seconds",
        metavar="DURATION",
        help="how long, such as 500ms, 20s or 5m (default: until interrupted)",
    )
    parser.add_argument("--seed", type=seed_number, default=1, metavar="N")
    parser.add_argument("--fault", metavar="NAME", help="plant a fault, see --list")
    parser.add_argument(
        "--pool",
        choices=[choice.value for choice in PoolChoice],
        default=PoolChoice.STEALING.value,
        help="the demonstration's own work-stealing pool, or a stock pool (default: stealing)",
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="write the counts as JSON")
    parser.add_argument(
        "--alone",
        type=duration,
        metavar="DURATION",
        help="end this long after the process that started this one is gone",
    )
    parser.add_argument("--list", action="store_true", help="list scenarios and faults")
    return parser


def listing() -> str:
    """Return the scenarios and faults, a line each."""
    lines = ["scenarios:"]
    lines += [f"  {name:<20} {about}" for name, (about, _) in SCENARIOS.items()]
    lines += ["faults, and the finding that each should show, mostly within ten seconds:"]
    lines += [
        f"  {fault.name:<20} {fault.description}{_carried_by(fault)} -> {fault.shows}"
        for fault in FAULTS.values()
    ]
    return "\n".join(lines) + "\n"


def _carried_by(fault: Fault) -> str:
    """Return which pools and scenario can carry a fault, as an addition to its description."""
    where = [f"scenario {fault.scenario}"] if fault.scenario else []
    if fault.pools == ALL_POOLS:
        where += ["any --pool"]
    elif fault.pools != STEALING:
        where += ["--pool " + "|".join(pool.value for pool in PoolChoice if pool in fault.pools)]
    return f" ({', '.join(where)})" if where else ""


def _refusal(chosen: argparse.Namespace, fault: Fault) -> str:
    """Return why a fault cannot be planted as chosen, empty where it can."""
    if fault.scenario not in ("", chosen.scenario):
        return f"fault {fault.name!r} is for scenario {fault.scenario!r} only"
    if PoolChoice(chosen.pool) not in fault.pools:
        return f"fault {fault.name!r} is for --pool {', '.join(sorted(fault.pools))} only"
    if chosen.pool != PoolChoice.STEALING and chosen.scenario != "tide-archive":
        return f"scenario {chosen.scenario!r} is for --pool stealing only"
    if chosen.workers < fault.least_workers:
        return f"fault {fault.name!r} needs at least {fault.least_workers} workers"
    return ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return 0, or 1 when the totals were wrong or no report written."""
    parser = make_parser()
    chosen = parser.parse_args(arguments)
    if chosen.list:
        sys.stdout.write(listing())
        return 0
    if chosen.scenario not in SCENARIOS:
        parser.error(f"no scenario {chosen.scenario!r}; known: {', '.join(SCENARIOS)}")
    if chosen.fault is not None and chosen.fault not in FAULTS:
        parser.error(f"no fault {chosen.fault!r}; known: {', '.join(FAULTS)}")
    fault = NO_FAULT if chosen.fault is None else FAULTS[chosen.fault]
    if refusal := _refusal(chosen, fault):
        parser.error(refusal)
    if chosen.report is not None and not chosen.report.absolute().parent.is_dir():
        parser.error(f"no directory for the report {str(chosen.report)!r}")
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    if chosen.alone is not None:
        watcher = threading.Thread(
            target=end_when_alone, args=(stop, os.getppid(), chosen.alone), daemon=True
        )
        watcher.start()
    pool = PoolChoice(chosen.pool)
    settings = Settings(chosen.workers, chosen.seconds, chosen.seed, fault, pool)
    stealing = pool is PoolChoice.STEALING
    run = SCENARIOS[chosen.scenario][1] if stealing else run_stock_archive
    outcome = run(settings, stop)
    sys.stdout.write(outcome.summary(chosen.scenario) + "\n")
    if chosen.report is not None and not write_report(chosen.report, chosen, outcome):
        return 1
    return 0 if outcome.totals_ok else 1


def end_when_alone(stop: threading.Event, starter: int, seconds: float) -> None:
    """Set `stop` when process `starter` has not been the parent for `seconds` seconds."""
    while not stop.wait(PARENT_POLL_SECONDS):
        if os.getppid() != starter:
            stop.wait(seconds)
            stop.set()


def write_report(path: Path, chosen: argparse.Namespace, outcome: Outcome) -> bool:
    """Write the report; where that fails, print one line and return False."""
    document = {
        "scenario": chosen.scenario,
        "fault": chosen.fault,
        "pool": chosen.pool,
        "seed": chosen.seed,
        **outcome.report(),
    }
    try:
        path.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        sys.stderr.write(f"idlehands demo: cannot write the report: {error}\n")
        return False
    return True


if __name__ == "__main__":
    sys.exit(main())
