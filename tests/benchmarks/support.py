"""Shared by the benchmark scripts: interleaved rounds, medians, the table, the machine."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import statistics
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Callable


@dataclass
class Row:
    """One judged line: what was measured, as text, and a number against its bar."""

    name: str
    measured: str
    value: float
    bar: float
    unit: str = "x"
    at_least: bool = False

    @property
    def verdict(self) -> str:
        good = self.value >= self.bar if self.at_least else self.value <= self.bar
        return "holds" if good else "misses"

    def cells(self) -> tuple[str, ...]:
        sign = ">=" if self.at_least else "<="
        return (
            self.name,
            self.measured,
            f"{_number(self.value)} {self.unit}",
            f"{sign} {_number(self.bar)} {self.unit}",
            self.verdict,
        )


HEADINGS = ("row", "measured", "value", "bar", "verdict")


def _number(value: float) -> str:
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.3f}" if abs(value) < 10 else f"{value:.1f}"


def print_table(rows: Sequence[Row], notes: Sequence[str] = ()) -> None:
    """Print the judged rows in columns and, below them, what is only for information."""
    table = [HEADINGS, *(row.cells() for row in rows)]
    widths = [max(len(cells[column]) for cells in table) for column in range(len(HEADINGS))]
    print(machine())
    for cells in table:
        print("  ".join(cell.ljust(width) for cell, width in zip(cells, widths)).rstrip())
    for note in notes:
        print(f"  {note}")


def write_json(path: str, rows: Sequence[Row], notes: Sequence[str]) -> None:
    """Write the rows and notes to `path`."""
    document = {
        "machine": machine(),
        "rows": [{**asdict(row), "verdict": row.verdict} for row in rows],
        "notes": list(notes),
    }
    with open(path, "w", encoding="utf-8") as file:
        json.dump(document, file, indent=2)
        file.write("\n")


def finish(options: argparse.Namespace, rows: Sequence[Row], notes: Sequence[str]) -> int:
    """Print, write the JSON if asked, and return the status: 0, whatever the verdicts."""
    print_table(rows, notes)
    if options.json:
        write_json(options.json, rows, notes)
    return 0


def arguments(description: str, **defaults: int) -> argparse.ArgumentParser:
    """Return a parser with --json, --quick and one whole-number option per default."""
    # An installed program has its bytecode; one that may not write it compiles at every start.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    parser = argparse.ArgumentParser(description=description)
    for name, default in defaults.items():
        parser.add_argument(f"--{name}", type=int, default=default, metavar="N")
    parser.add_argument("--json", metavar="FILE", help="also write the rows to FILE")
    parser.add_argument("--quick", action="store_true", help="a tenth of the work: a smoke run")
    return parser


def machine() -> str:
    """Describe the machine without saying which one it is."""
    load = os.getloadavg()[0]
    return (
        f"{os.cpu_count()} cores, {platform.python_implementation()} {platform.python_version()}, "
        f"{platform.system()} {platform.release().split('-')[0]}, load average {load:.1f}"
    )


def interleaved(
    variants: Mapping[str, Callable[[], float]], rounds: int, pairs: bool = False
) -> dict[str, list[float]]:
    """Run every variant once a round and return what each returned, round by round.

    The order turns by one place a round, so that neither a machine that gets slower nor what
    one variant leaves behind in the caches favours the same one each time. `pairs` says on
    stderr how far it is, for the long ones.
    """
    names = list(variants)
    found: dict[str, list[float]] = {name: [] for name in names}
    for number in range(rounds):
        turn = number % len(names)
        for name in names[turn:] + names[:turn]:
            found[name].append(variants[name]())
        if pairs and sys.stderr.isatty():
            print(f"\r{number + 1}/{rounds} ", end="", file=sys.stderr)
    return found


def median_over(values: Iterable[float], base: Iterable[float]) -> float:
    """Return the median of (value - base), each pair from one round."""
    return statistics.median(value - less for value, less in zip(values, base))


@contextlib.contextmanager
def compiled() -> Iterator[dict[str, str]]:
    """Give an environment in which started interpreters find their modules compiled.

    As after an installation; a checkout may be set up to write no bytecode, and would then
    measure the compiler.
    """
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "PYTHONPYCACHEPREFIX": folder}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        yield environment


def quartiles(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the lower quartile, the median and the upper quartile."""
    low, middle, high = statistics.quantiles(values, n=4)
    return low, middle, high
