"""Worker time where the record was thinned: shares of time, estimated, with their error. Pure.

In such a stretch a recorded task stands for `THINNING_FACTOR` tasks, and so does the idle
interval after it. Their sums, per worker, are scaled to the time for which the worker belonged to
the pool. The share of time in tasks is a ratio of means over the recorded pairs of a task and its
idle interval; its standard error follows from the residuals of the pairs (W. G. Cochran 1977,
Sampling Techniques, 3rd edition, ratio estimates, equation 6.13; the finite population is left
out). Parked time is not split there, since most times of queueing are not known. Where tasks were
only counted, no time is known at all.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from idlehands.wire import PARKED

from ...ledger import PoolLedger
from ...ledger.rows import Recent, Rows
from ...model.arrays import Int64


class Shares(NamedTuple):
    """Nanoseconds per worker, shape (workers,), the pool's standard error, and how many pairs."""

    in_task: Int64
    parked: Int64
    error: float
    pairs: int


def thinned_shares(
    pool: PoolLedger, tasks: Rows, present: Int64, begin_ns: int, end_ns: int
) -> Shares:
    """Return how workers spent a stretch in which the record was thinned."""
    workers = len(present)
    inside = (tasks["began"] >= begin_ns) & (tasks["ended"] <= end_ns)
    runner, run = tasks["worker"][inside], (tasks["ended"] - tasks["began"])[inside]
    idle_intervals = Recent(pool.idle_intervals, begin_ns)
    chosen = (idle_intervals["began_ns"] >= begin_ns) & (idle_intervals["ended_ns"] <= end_ns)
    chosen &= (idle_intervals["worker"] >= 0) & (idle_intervals["worker"] < workers)
    idler, idle = (
        idle_intervals["worker"][chosen],
        (idle_intervals["ended_ns"] - idle_intervals["began_ns"])[chosen],
    )
    parked = idle_intervals["state"][chosen] == PARKED
    in_task = np.bincount(runner, weights=run, minlength=workers)
    in_idle = np.bincount(idler, weights=idle, minlength=workers)
    in_park = np.bincount(idler[parked], weights=idle[parked], minlength=workers)
    total = np.maximum(in_task + in_idle, 1.0)
    # A worker without a row is assumed to have been parked.
    known = (in_task + in_idle) > 0
    return Shares(
        (present * np.where(known, in_task / total, 0.0)).astype(np.int64),
        (present * np.where(known, in_park / total, 1.0)).astype(np.int64),
        _ratio_error(run, idle),
        min(len(run), len(idle)),
    )


def _ratio_error(run: Int64, idle: Int64) -> float:
    """Return the standard error of sum(run) / (sum(run) + sum(idle)) over pairs."""
    pairs = min(len(run), len(idle))
    if pairs < 2:
        return math.nan
    x, y = run[:pairs].astype(np.float64), idle[:pairs].astype(np.float64)
    total = x + y
    ratio = x.sum() / max(1.0, total.sum())
    residual = x - ratio * total
    variance = float((residual**2).sum()) / (pairs - 1)
    return math.sqrt(variance / pairs) / max(1e-9, float(total.mean()))
