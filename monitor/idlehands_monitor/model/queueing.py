"""How tasks flowed through a pool, beside what queueing theory says of that."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class QueueingReading:
    """How tasks flowed through a pool in the window, and what queueing theory says of that.

    servers: workers there on average. arrival_rate: tasks a second. mean_in_pool (L): tasks queued
    or running. mean_time_s (W) and mean_queue_wait_s: of the tasks that left in the window.
    mean_service_s: time in tasks per task run; utilisation: time in tasks per worker time.
    Variations: squared coefficients of variation of the times between arrivals and of the time
    that a task holds its worker, None where these are too few or all 0. Waits by theory: infinite
    where tasks come faster than they can be run, None where too few came. closed: nothing was in
    the pool at either end; before_s, after_s: the boundary terms, see `queueing.LittleReading`.
    """

    servers: int
    arrival_rate: float
    mean_in_pool: float
    mean_time_s: float
    mean_queue_wait_s: float
    mean_service_s: float
    utilisation: float
    arrival_variation: float | None
    service_variation: float | None
    mmc_wait_s: float | None
    allen_cunneen_wait_s: float | None
    closed: bool
    before_s: float
    after_s: float


@dataclass(frozen=True, slots=True)
class BalanceReading:
    """How evenly time in tasks was spread over `workers`.

    imbalance: the busiest over the mean, less 1; imbalance_s: the busiest less the mean.
    jain: Jain's fairness index, 1 where it is even.
    """

    workers: int
    imbalance: float
    imbalance_s: float
    jain: float
