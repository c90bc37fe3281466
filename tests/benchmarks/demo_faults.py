"""What each fault of the demonstration costs: station-days a second with it and without it.

Each run is a program of its own; runs with and without the fault have the same seeds. A fault is
expected to cost at least `LEAST_COST` of the throughput.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import arguments, machine

from helpers import environment
from idlehands_demo.faults import FAULTS, NO_FAULT, Fault, PoolChoice

LEAST_COST = 0.25

PROGRAM = """
import sys, threading, time
from idlehands_demo.__main__ import SCENARIOS
from idlehands_demo.faults import FAULTS, NO_FAULT, PoolChoice
from idlehands_demo.scenarios import Settings
from idlehands_demo.stock import run_stock_archive

scenario, name, pool, seed, seconds, mended = sys.argv[1:]
fault = FAULTS.get(name, NO_FAULT)
fault = fault.mended() if mended == "mended" else fault
run = SCENARIOS[scenario][1] if pool == "stealing" else run_stock_archive
began = time.monotonic()
outcome = run(Settings(8, float(seconds), int(seed), fault, PoolChoice(pool)), threading.Event())
assert outcome.totals_ok
print(outcome.station_days / (time.monotonic() - began))
"""


class Case(NamedTuple):
    """One fault in one pool."""

    fault: Fault
    pool: PoolChoice

    def median(self, rounds: int, seconds: float, *, mended: bool) -> float:
        """Return the median of so many runs, the first with seed 1."""
        seeds = range(1, rounds + 1)
        return median(self._station_days_a_second(seed, seconds, mended=mended) for seed in seeds)

    def _station_days_a_second(self, seed: int, seconds: float, *, mended: bool) -> float:
        """Run it once."""
        words = [
            self.fault.scenario or "tide-archive",
            self.fault.name,
            self.pool.value,
            str(seed),
            str(seconds),
            "mended" if mended else "as it is",
        ]
        with tempfile.TemporaryDirectory() as sockets:
            done = subprocess.run(
                [sys.executable, "-c", PROGRAM, *words],
                env=environment(Path(sockets)),
                capture_output=True,
                text=True,
                check=True,
            )
        return float(done.stdout)


def main() -> int:
    """Run every fault in every pool that carries it, and print what it costs."""
    parser = arguments(__doc__.splitlines()[0], rounds=3, seconds=6)
    parser.add_argument("--only", default="", help="only lines that have this in them")
    parser.add_argument("--pool", default="stealing", choices=[pool.value for pool in PoolChoice])
    options = parser.parse_args()
    rounds, seconds = (1, 2.0) if options.quick else (options.rounds, options.seconds)
    pool = PoolChoice(options.pool)
    print(machine())
    print(f"station-days a second, median of {rounds} runs of {seconds} s, pool {pool.value}")
    too_cheap = 0
    measured: dict[Fault, float] = {}  # most faults are mended by the same healthy run
    for fault in (NO_FAULT, *FAULTS.values()):
        if pool not in fault.pools or options.only not in fault.name:
            continue
        healthy = fault.mended()
        healthy = replace(healthy, name="", shows="", mended_by="", description="")
        case = Case(fault, pool)
        if healthy not in measured:
            measured[healthy] = case.median(rounds, seconds, mended=True)
        planted, mended = case.median(rounds, seconds, mended=False), measured[healthy]
        cost = 1.0 - planted / mended
        too_cheap += fault is not NO_FAULT and cost < LEAST_COST
        print(f"{fault.name:<22}{planted:9.1f}{mended:9.1f}  costs {cost:6.1%}", flush=True)
    return 1 if too_cheap else 0


if __name__ == "__main__":
    sys.exit(main())
