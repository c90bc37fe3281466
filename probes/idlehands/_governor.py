"""The cost of the probe for one pool, and how the pool gives up detail where that is too high.

The cost of recording is the number of tasks times the cost of one, which is calibrated once on this
machine for each sort of pool. The cost of sending is the CPU time of the publisher's thread, shared
out by rows. A pool whose cost passes `LIMIT` of its worker time gives up one step of detail (see
`_detail`). It takes the step back once the step would have cost less than half the limit in
`CALM_REVIEWS` reviews in a row.
"""

from __future__ import annotations

import os
from typing import NamedTuple

from ._detail import FULL, THINNED, THINNING_FACTOR
from ._pool import PoolProbe
from ._settings import Settings

LIMIT = 0.01
CALM_REVIEWS = 10
SHORTEST_REVIEW_NS = 500_000_000
FEWEST_TASKS = 1000
"""With fewer tasks between two reviews a cost above the limit is the publisher's own."""
PINNED = "IDLEHANDS_DETAIL"


class Price(NamedTuple):
    """Nanoseconds that one task costs its pool: recorded, or only counted."""

    recorded_ns: float
    counted_ns: float


def is_pinned() -> bool:
    """Return whether detail is kept whatever it costs."""
    return Settings.full_detail or os.environ.get(PINNED, "").lower() == "full"


class Governor:
    """Watches one pool. `recording_ns` is what its recording has cost so far."""

    def __init__(self, pool: PoolProbe, price: Price) -> None:
        self._pool = pool
        self._price = price
        self._done = 0.0
        self._at_ns = 0
        self._calm = 0
        self.recording_ns = 0.0

    def review(self, now_ns: int, sending_ns_per_row: float) -> None:
        """Review what ran since the last time, and give up or take back a step of detail."""
        if now_ns - self._at_ns < SHORTEST_REVIEW_NS:
            return  # the publisher's thread has just been started again
        done = self._pool.work_recorded()
        tasks, self._done = done - self._done, done
        length, self._at_ns = now_ns - self._at_ns, now_ns
        step = self._pool.step
        self.recording_ns += self._cost(step, tasks, 0.0)
        if length == now_ns or tasks < 0:
            return  # the first review, or a pool that was opened again
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
