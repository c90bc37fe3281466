"""What the probe costs its own process, measured where it runs.

Recording is counted in rows times the cost of one row, calibrated once on this machine by
recording into a scratch pool; sending is the CPU time of the outlet's thread.
"""

from __future__ import annotations

from collections.abc import Iterable
from time import monotonic_ns

from ._pool import PoolProbe
from ._tables import TASKS

CALIBRATION_TASKS = 200


def calibrate() -> float:
    """Return nanoseconds that recording one task (spawned, running, finished) takes here."""
    scratch = PoolProbe("calibration", 1, "scratch", -1)
    worker = scratch.probes[0]
    best = float("inf")
    for _ in range(3):  # the least of three: whatever interrupts can only add
        began = monotonic_ns()
        for _ in range(CALIBRATION_TASKS):
            worker.running(worker.spawned("scratch"))
            worker.finished()
        best = min(best, (monotonic_ns() - began) / CALIBRATION_TASKS)
    return best


def recording_ns(pools: Iterable[PoolProbe], per_task_ns: float) -> int:
    """Return the nanoseconds that recording has cost so far in all of `pools`.

    A gap or a wait is two calls and one row where a task is three calls: two thirds of a task.
    """
    tasks = others = 0
    for pool in pools:
        for probe in pool.probes:
            for table, ring in probe.rings():
                if table is TASKS:
                    tasks += ring.written
                else:
                    others += ring.written
    return int((tasks + others * 2 / 3) * per_task_ns)
