"""What the probe costs a pool, and how it gives up detail where that is too much.

Recording is counted in tasks times the cost of one, calibrated once on this machine for each sort
of pool; sending is the CPU time of the outlet's thread, shared out by rows. Past `LIMIT` of the
pool's worker time a step is given up: first the reading of CPU times, then all rows but those of
one task in `EVERY`, then all rows, so that tasks are only counted. A step comes back when it
would have cost less than half the limit for a while.
"""

from __future__ import annotations

import os
from typing import NamedTuple

from ._pool import PoolProbe
from ._settings import Settings
from ._thinning import FULL, THINNED, THINNING_FACTOR

LIMIT = 0.01
CALM_REVIEWS = 10
SHORTEST_REVIEW_NS = 500_000_000
FEWEST_TASKS = 1000
"""Fewer tasks between two looks cost less than the limit: what is seen then is the outlet's own."""
PINNED = "IDLEHANDS_DETAIL"


class Price(NamedTuple):
    """Nanoseconds that one task costs its pool: recorded, or only counted."""

    recorded_ns: float
    counted_ns: float


def is_pinned() -> bool:
    """Say whether detail is kept whatever it costs."""
    return Settings.full_detail or os.environ.get(PINNED, "").lower() == "full"


class Governor:
    """Watches one pool. `recording_ns` is what recording has cost so far."""

    def __init__(self, pool: PoolProbe, price: Price) -> None:
        self._pool = pool
        self._price = price
        self._done = 0.0
        self._at_ns = 0
        self._calm = 0
        self.recording_ns = 0.0

    def review(self, now_ns: int, sending_ns_per_row: float) -> None:
        """Look at what ran since the last time, and give up or take back a step of detail."""
        if now_ns - self._at_ns < SHORTEST_REVIEW_NS:
            return  # the outlet's thread has just been started again
        done = self._pool.work_recorded()
        tasks, self._done = done - self._done, done
        length, self._at_ns = now_ns - self._at_ns, now_ns
        step = self._pool.step
        self.recording_ns += self._cost(step, tasks, 0.0)
        if length == now_ns or tasks < 0:
            return  # the first look, or a pool that was opened again
        allowed = LIMIT * length * max(1, self._pool.workers_present())
        if is_pinned():
            self._turn(FULL)
        elif tasks >= FEWEST_TASKS and self._cost(step, tasks, sending_ns_per_row) > allowed:
            self._calm = 0
            self._turn(step + 1)
        elif step > FULL and self._cost(step - 1, tasks, sending_ns_per_row) < allowed / 2:
            self._calm += 1
            if self._calm >= CALM_REVIEWS:
                self._calm = 0
                self._turn(step - 1)
        else:
            self._calm = 0

    def _turn(self, step: int) -> None:
        step = min(step, self._pool.last_step)
        if step != self._pool.step:
            self._pool.turn_to(step)

    def _cost(self, step: int, tasks: float, sending_ns: float) -> float:
        recorded = tasks * (self._price.recorded_ns + sending_ns)
        counted = tasks * self._price.counted_ns
        if step < THINNED:
            return recorded
        return counted + recorded / THINNING_FACTOR if step == THINNED else counted
