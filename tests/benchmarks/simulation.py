"""How long a what-if takes: one simulated run of 100 000 tasks, on one core, by sort of program.

    .venv/bin/python tests/benchmarks/simulation.py [--tasks 100000]

Prints CPU seconds, the median of three runs. The bar is 2 s for each number of workers and seed.
"""

from __future__ import annotations

import argparse
import time
from random import Random
from statistics import median

from idlehands_monitor.analysis.whatif.program import Do, Program
from idlehands_monitor.analysis.whatif.rules import Machine, Overheads, Rules, Taking, Team
from idlehands_monitor.analysis.whatif.simulator import simulate

RUNS = 3
OVERHEADS = Overheads(dispatch_ns=1_000, attempt_ns=100, wake_ns=5_000)


def lengths(random: Random, mean_ns: float) -> int:
    return round(random.expovariate(1 / mean_ns))


def batch(tasks: int, random: Random) -> Program:
    """Return tasks that are blocked for a while and then hold the interpreter lock."""
    steps = tuple(
        ((int(Do.OFF), lengths(random, 1e6)), (int(Do.LOCKED), lengths(random, 1e5)))
        for _ in range(tasks)
    )
    return Program(steps, dict.fromkeys(range(tasks), 0))


def fork_join(tasks: int, _random: Random) -> Program:
    """Return a task that divides in two, down to leaves of 1 µs."""
    steps: list[tuple[tuple[int, int], ...]] = []

    def task(leaves: int) -> int:
        mine = len(steps)
        steps.append(((int(Do.CORE), 1_000),))
        if leaves > 1:
            first, second = task(leaves // 2), task(leaves - leaves // 2)
            joins = ((int(Do.JOIN), second), (int(Do.JOIN), first))
            spawns = ((int(Do.SPAWN), first), (int(Do.SPAWN), second))
            steps[mine] = ((int(Do.CORE), 200), *spawns, *joins)
        return mine

    task(tasks // 2)
    return Program(tuple(steps), {0: 0})


def took(program: Program, machine: Machine, team: Team) -> float:
    """Return the CPU seconds of one run."""
    begun = time.process_time()
    simulate(program, machine, [team])
    return time.process_time() - begun


def main() -> None:
    """Print a line for each program and number of workers."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--tasks", type=int, default=100_000)
    tasks = parser.parse_args().tasks
    print("program    tasks    workers  CPU seconds")
    for name, make, taking in (
        ("batch", batch, Taking.ARRIVAL),
        ("fork-join", fork_join, Taking.DEQUES),
    ):
        program = make(tasks, Random(1))
        for workers in (1, 8, 64):
            team = Team(workers, Rules(taking), OVERHEADS)
            machine = Machine(8, one_lock=True)
            middle = median(took(program, machine, team) for _ in range(RUNS))
            print(f"{name:9}  {len(program.steps):7,}  {workers:7}  {middle:.2f}")


if __name__ == "__main__":
    main()
