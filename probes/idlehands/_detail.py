"""The steps in which a pool gives up detail: which tasks each records, and what a task costs.

A thinned pool records one task in `THINNING_FACTOR` and only counts the others. A task's number
decides: a task is recorded if its number has no bit in common with its pool's mask.
"""

from __future__ import annotations

from time import monotonic_ns
from typing import Callable

FULL, NO_CPU, THINNED, COUNTED = range(4)
"""The steps: everything, no CPU times, one task in `THINNING_FACTOR`, only counts."""
THINNING_FACTOR = 16
"""A thinned pool records one task in so many; a power of two, for the mask."""
NO_TASK = (1 << 62) - 1
"""The mask with which no task is recorded: all numbers but 0 have a bit in common with it."""
MASKS = (0, 0, THINNING_FACTOR - 1, NO_TASK)
"""The mask of each step; 0 records every task."""
CALIBRATION_TASKS = 200


def nanoseconds_of(record: Callable[[], None]) -> float:
    """Return the nanoseconds of one call, the least of three means: interruptions only add."""
    best = float("inf")
    for _ in range(3):
        began = monotonic_ns()
        for _ in range(CALIBRATION_TASKS):
            record()
        best = min(best, (monotonic_ns() - began) / CALIBRATION_TASKS)
    return best
