"""How tasks flowed through a pool, beside the waits that queueing theory expects. Data only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class QueueingReading:
    """How tasks flowed through a pool in the window, and the waits that queueing theory expects.

    servers: mean number of workers. arrival_rate: tasks a second. mean_in_pool (L): tasks queued or
    running. mean_time_s (W), mean_queue_wait_s: of the tasks that left in the window.
    mean_service_s: time in tasks per task run. utilisation: time in tasks / worker time.
    arrival_variation, service_variation: squared coefficients of variation of the times between
    arrivals and of the time that a task holds its worker, None for too few, or only zeros.
    mmc_wait_s, allen_cunneen_wait_s: expected waits, infinite where tasks arrive faster than they
    can be run, None where too few arrived. closed: the pool was empty at both ends of the window.
    before_s, after_s: the boundary terms, see `queueing.theory.LittleReading`.
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
    """How evenly time in tasks was spread over `workers` workers.

    imbalance: the busiest worker / the mean, less 1. imbalance_s: the busiest less the mean.
    jain: Jain's fairness index, 1 where the spread is even.
    """

    workers: int
    imbalance: float
    imbalance_s: float
    jain: float
