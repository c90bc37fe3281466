"""Row 4 of the probe's cost: a job of 100 µs tasks with the probe on and watched, against off."""

from __future__ import annotations

import statistics
import zlib
from concurrent.futures import ThreadPoolExecutor
from time import perf_counter_ns, process_time_ns
from typing import Callable

from attached_reader import Reader
from pool_hooks import Variant, patched, plain_run, probed_run
from support import Row, quartiles

JOB_BAR = 1.01
TASK_NS = 100_000
WORKERS = 2
IN_FLIGHT = 64
"""Tasks handed in at a time, so that a pool's queue stays as short as a real one's."""


def spin() -> Callable[[], object]:
    """Return a task of about `TASK_NS`: a checksum, which lets the other worker run meanwhile."""
    size = 1 << 15
    while True:
        data = bytes(size)
        took = min(_timed(lambda data=data: zlib.crc32(data)) for _ in range(50))
        if took >= TASK_NS / 4:
            break
        size *= 2
    exact = bytes(int(size * TASK_NS / took))
    return lambda: zlib.crc32(exact)


def _timed(call: Callable[[], object]) -> int:
    began = perf_counter_ns()
    call()
    return perf_counter_ns() - began


class PairedJob:
    """One pool of two threads that lives through all runs, so that only the hook differs."""

    def __init__(self, tasks: int) -> None:
        self.tasks = tasks
        self.task = spin()
        self.pools = {on: ThreadPoolExecutor(WORKERS) for on in (True, False)}
        self.variants = {on: Variant(None, probed_run if on else plain_run) for on in self.pools}
        self.pools[False]._work_queue.reporter.leave()  # the pool's own `put` again
        self.lost = 0
        for on in self.pools:
            with patched(self.variants[on]):
                self._job(IN_FLIGHT, on)
        self.reader = Reader()

    def _job(self, tasks: int, on: bool) -> None:
        for begin in range(0, tasks, IN_FLIGHT):
            here = range(begin, min(begin + IN_FLIGHT, tasks))
            for future in [self.pools[on].submit(self.task) for _ in here]:
                future.result()

    def run(self, on: bool) -> tuple[int, int]:
        """Do the job once; return (wall, process CPU) nanoseconds."""
        with patched(self.variants[on]):
            if on:
                self.reader.attach()
            self._job(IN_FLIGHT, on)
            cpu, wall = process_time_ns(), perf_counter_ns()
            self._job(self.tasks, on)
            wall = perf_counter_ns() - wall
            if on:
                # What is still in the rings has to be sent too; it belongs to this job.
                self.lost += self.reader.sync()["lost"]
            cpu = process_time_ns() - cpu
            if on:
                self.reader.detach()
        return wall, cpu

    def close(self) -> None:
        self.reader.close()
        for pool in self.pools.values():
            pool.shutdown()


def job_row(pairs: int, tasks: int) -> tuple[list[Row], list[str]]:
    """Row 4: the median over pairs of (on and attached) / off, which of the two first in turn.

    Judged by the CPU time of the process, the publisher's included: with every core in use that is
    what the job takes, and it leaves out what other processes took.
    """
    job = PairedJob(tasks)
    walls: list[float] = []
    cpus: list[float] = []
    off_walls: list[int] = []
    try:
        for number in range(pairs):
            spent = {on: job.run(on) for on in ((False, True) if number % 2 else (True, False))}
            walls.append(spent[True][0] / spent[False][0])
            cpus.append(spent[True][1] / spent[False][1])
            off_walls.append(spent[False][0])
        alone = statistics.median(_timed(job.task) for _ in range(200)) / 1e3
    finally:
        job.close()
    cpu, wall = quartiles(cpus), quartiles(walls)
    per_task = statistics.median(off_walls) / tasks / 1e3
    measured = f"CPU, median of {pairs} pairs, quartiles {cpu[0]:.3f} to {cpu[2]:.3f}"
    return [Row("4 a job of 100 µs tasks, watched against off", measured, cpu[1], JOB_BAR)], [
        f"row 4 in wall time: {wall[1]:.3f} (quartiles {wall[0]:.3f} to {wall[2]:.3f})",
        f"row 4: a task is {alone:.0f} µs alone; off, the job takes {per_task:.1f} µs per task "
        f"on {WORKERS} workers; {job.lost} rows lost",
    ]
