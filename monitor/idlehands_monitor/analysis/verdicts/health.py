"""A healthy pool has a headline too: that nothing is to be gained, and what the limit is. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.whatif import Arrivals

if TYPE_CHECKING:
    from ...model.reading import PoolReading
    from ...model.whatif import AnswerReading, WhatIfPool

BUSY = 0.85
"""Cores, or workers, that are in use for more of their time than this are the limit."""
NEAR = 1.25
"""A run that takes at most so many times its longest chain of tasks is limited by the chain."""


def health(pool: PoolReading, answered: WhatIfPool, perhaps: AnswerReading | None) -> str:
    """Return the headline of a pool to which no change surely gains 5 % or more.

    perhaps: the change that may gain most, but may also gain nothing.
    """
    if perhaps is not None:
        low, high = (round(100 * part) for part in (perhaps.gain_low, perhaps.gain_high))
        return (
            f"Nothing surely gains 5 %. To {perhaps.change.sentence} may gain "
            f"{100 * perhaps.gain:.0f} %, but this run is too short to tell ({low} to {high})"
        )
    return f"Nothing to gain above 5 %: {_limit(pool, answered)}"


def _limit(pool: PoolReading, answered: WhatIfPool) -> str:
    in_tasks = pool.time.working + pool.time.blocked + pool.time.run_queue_wait
    used = in_tasks / max(1, pool.time.total)
    working_cores = pool.time.working / 1e9 / max(1e-9, pool.window_s)
    share = f"{100 * used:.0f} %"
    if answered.arrivals is Arrivals.OPEN:
        return (
            f"workers are in tasks for {share} of their time and keep up with "
            f"{pool.tasks.per_s:.3g} tasks a second"
        )
    curve = answered.curve
    if curve is not None and curve.span_s and answered.recorded <= NEAR * curve.span_s:
        return "the run takes little longer than its longest chain of tasks"
    if working_cores >= BUSY:
        return f"tasks keep {working_cores:.2g} cores busy, and these are the limit"
    if answered.arrivals is Arrivals.CLOSED:
        return f"workers are in tasks for {share} of their time; what is in flight is the limit"
    return f"workers are in tasks for {share} of their time"
