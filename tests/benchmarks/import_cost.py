"""Row 5 of the probe's cost: what importing it adds to a program's start."""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
from time import perf_counter_ns

from support import Row, compiled, interleaved, median_over

IMPORT_BAR_MS = 15.0
STARTS = {"bare": "pass", "threading": "import threading", "probe": "import threading, idlehands"}
LIST_MODULES = """
import json, sys
before = set(sys.modules)
import idlehands
def new():
    # A compiled module registers parts of itself that were never imported: they have no spec.
    loaded = [name for name, module in sys.modules.items() if getattr(module, "__spec__", None)]
    return sorted({name.partition(".")[0] for name in loaded if name not in before})
at_import = new()
worker = idlehands.declare_pool("bench", 1).worker(0)
worker.bind()
print(json.dumps([at_import, new()]))
"""


class Starts:
    """Starts interpreters; keeps the CPU time of each, which a busy machine changes least."""

    def __init__(self, environment: dict[str, str]) -> None:
        self.environment = environment
        self.cpu_ms: dict[str, list[float]] = {name: [] for name in STARTS}

    def wall_ms(self, name: str) -> float:
        """Return how long an interpreter takes to start, run the code of `name` and end."""
        cpu, began = _children_cpu_ms(), perf_counter_ns()
        subprocess.run([sys.executable, "-c", STARTS[name]], check=True, env=self.environment)
        took = (perf_counter_ns() - began) / 1e6
        self.cpu_ms[name].append(_children_cpu_ms() - cpu)
        return took


def _children_cpu_ms() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (used.ru_utime + used.ru_stime) * 1e3


def third_party() -> list[list[str]]:
    """Return the modules from elsewhere that are loaded by the import, and by a worker's bind."""
    answer = subprocess.run(
        [sys.executable, "-c", LIST_MODULES], check=True, capture_output=True, text=True
    )
    known = {"idlehands", *getattr(sys, "stdlib_module_names", ())}
    return [[name for name in names if name not in known] for names in json.loads(answer.stdout)]


def import_row(rounds: int) -> tuple[list[Row], list[str]]:
    """Row 5: the import on top of `threading`, which nearly any program with a pool has."""
    with compiled() as environment:
        Starts(environment).wall_ms("probe")  # compiles
        starts = Starts(environment)
        found = interleaved(
            {name: lambda name=name: starts.wall_ms(name) for name in STARTS}, rounds
        )
    added = median_over(found["probe"], found["threading"])
    over_bare = median_over(found["probe"], found["bare"])
    cpu = median_over(starts.cpu_ms["probe"], starts.cpu_ms["threading"])
    at_import, at_bind = third_party()
    middles = ", ".join(f"{name} {statistics.median(found[name]):.1f}" for name in found)
    share = added / statistics.median(found["bare"])
    measured = f"over a bare interpreter {over_bare:.1f} ms; {share:.2f} x a bare start"
    verdict = "holds" if set(at_import + at_bind) <= {"msgpack"} else "misses"
    return [Row("5 import idlehands", measured, added, IMPORT_BAR_MS, "ms")], [
        f"row 5: medians of {rounds} whole starts in ms: {middles}; added CPU {cpu:.1f} ms",
        f"row 5: third-party modules at import: {', '.join(at_import) or 'none'}; after the first "
        f"bind: {', '.join(at_bind) or 'none'} (bar: none but msgpack: {verdict})",
    ]
