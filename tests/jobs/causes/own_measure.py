"""Shared by the jobs here: settings, invented task lengths, and the job's own measure.

A job measures itself with `time.monotonic` and prints the figure as its last line, in JSON. So what
a change really came to never passes through the probe or the monitor. All data is invented and
seeded: the work is the same in every run.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import time
from collections.abc import Sequence

LOOPS_A_MS = 36_000
"""Rounds of `compute` that took a millisecond where this was written; the work is fixed, not the
time."""


def settings(**defaults: int | float | bool) -> argparse.Namespace:
    """Return the settings of a job: `defaults`, changed by options of the same names.

    `scale` is there for every job: the share of its tasks that it runs.
    """
    parser = argparse.ArgumentParser()
    for name, value in {"scale": 1.0, **defaults}.items():
        option = f"--{name.replace('_', '-')}"
        if isinstance(value, bool):
            parser.add_argument(option, action="store_true")
        else:
            parser.add_argument(option, type=type(value), default=value)
    return parser.parse_args()


def lengths(number: int, mean_s: float, seed: int, spread: float = 0.6) -> list[float]:
    """Return invented lengths in seconds, evenly spread over the mean ± `spread` of it."""
    generator = random.Random(seed)
    return [mean_s * generator.uniform(1 - spread, 1 + spread) for _ in range(number)]


def scaled(number: int, scale: float, least: int = 4) -> int:
    """Return how many tasks there are at a scale."""
    return max(least, round(number * scale))


def compute(loops: int) -> int:
    """Compute under the interpreter lock."""
    total = 0
    for number in range(loops):
        total += number & 7
    return total


def percentile(values: Sequence[float], share: float) -> float:
    """Return the least value that is not exceeded by `share` of the values."""
    return sorted(values)[max(0, math.ceil(share * len(values)) - 1)]


def steady_rate(ends: Sequence[float]) -> float:
    """Return the ends a second between the first tenth of them and the last.

    Left out are the start, before all workers run, and the end, when less is in flight.
    """
    ordered = sorted(ends)
    first, last = len(ordered) // 10, len(ordered) - 1 - len(ordered) // 10
    return (last - first) / (ordered[last] - ordered[first])


def report(unit: str, value: float) -> None:
    """Print the job's own measure: `seconds`, `tasks_per_s` or `p95_s`."""
    print(json.dumps({"unit": unit, "value": value}), flush=True)


def seconds_since(began: float) -> float:
    """Return the seconds since `began`, of `time.monotonic`."""
    return time.monotonic() - began
