"""What recording costs on this machine: each sort of pool measures one task of its own."""

from __future__ import annotations

from time import monotonic_ns
from typing import Callable

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
