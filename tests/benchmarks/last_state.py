"""What the page with the last state costs a process: CPU time a second, by how many workers it has.

The page is written once a second by the probe's own thread, so the CPU time of one write is the
cost a second. Each pool is hand-written, and its workers are in tasks, which is the longest row.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
from time import thread_time_ns

from support import arguments, machine

from idlehands._last_state import LastState
from idlehands._pool import PoolProbe

SIZES = ((1, 2), (1, 8), (1, 64), (1, 256), (4, 256), (64, 4))
"""(pools, workers of each)."""


def pools_at_work(pools: int, workers: int) -> list[PoolProbe]:
    """Return pools whose workers have each run a hundred tasks and are in another one."""
    made = [
        PoolProbe(f"pool {number}", workers, "work-stealing", number) for number in range(pools)
    ]
    for pool in made:
        for index in range(workers):
            worker = pool.worker(index)
            for _ in range(100):
                worker.running(worker.spawned("module.function"))
                worker.finished()
            worker.running(worker.spawned("module.function"))
    return made


def microseconds(pools: list[PoolProbe], rounds: int) -> tuple[float, float]:
    """Return the CPU time of a write, (the first, which makes the page, median of the others)."""
    last = LastState(lambda: pools)
    took = []
    for _ in range(rounds + 1):
        began = thread_time_ns()
        last.write("1.sock")
        took.append((thread_time_ns() - began) / 1e3)
    last.end()
    last.abandon()
    return took[0], statistics.median(took[1:])


def main() -> int:
    options = arguments(__doc__.splitlines()[0], rounds=200).parse_args()
    rounds = 5 if options.quick else options.rounds
    print(machine())
    print(f"{'pools':>6} {'workers':>8} {'first write':>12} {'a second':>10}")
    with tempfile.TemporaryDirectory() as folder:
        os.environ["IDLEHANDS_DIR"] = os.path.join(folder, "sockets")
        for pools, workers in SIZES:
            first, others = microseconds(pools_at_work(pools, workers), rounds)
            print(f"{pools:>6} {pools * workers:>8} {first:>9.0f} µs {others:>7.0f} µs")
    return 0


if __name__ == "__main__":
    sys.exit(main())
