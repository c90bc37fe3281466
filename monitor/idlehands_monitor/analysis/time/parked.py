"""Divides parked time into waking, starved (while tasks are queued) and no work. Pure.

With q(t) tasks queued, p(t) workers parked and w(t) of them being woken, max(0, min(q, p) - w)
workers are starved at time t.
"""

from __future__ import annotations

import numpy as np

from ...model.arrays import Int64
from ..stats.rounding import round_to_total
from .window import Slice, sum_per_worker


def parked_split(stretch: Slice) -> tuple[Int64, Int64]:
    """Return (waking, starved) nanoseconds per worker, shape (workers,) each.

    Their sum over workers is ∫ min(q, p) dt exactly. With fewer queued tasks than parked workers it
    is not known which of the workers starved, so they share the starved time.
    """
    workers = stretch.workers
    worker, began, ended, wakes = _parked(stretch)
    waking = sum_per_worker(worker, ended - wakes, workers)
    edges, queued, parked, awaking = levels(stretch)
    widths = np.diff(edges)
    short = np.minimum(queued, parked) - awaking  # queued tasks for which no worker is woken
    total = int((np.maximum(short, 0) * widths).sum())
    if not total:
        return waking, np.zeros(workers, dtype=np.int64)
    waiting = parked - awaking
    share = np.where(waiting > 0, np.maximum(short, 0) / np.maximum(waiting, 1), 0.0)
    cumulative = np.concatenate([[0.0], np.cumsum(share * widths)])
    per_interval = np.interp(wakes, edges, cumulative) - np.interp(began, edges, cumulative)
    shares = np.bincount(worker, weights=per_interval, minlength=workers).astype(np.float64)
    most = sum_per_worker(worker, wakes - began, workers)
    return waking, round_to_total(shares, total, most)


def _parked(stretch: Slice) -> tuple[Int64, Int64, Int64, Int64]:
    """Return (worker, began, ended, when the waking began) of parked intervals."""
    idle_intervals = stretch.idle_intervals
    chosen = idle_intervals.extra["parked"] == 1
    worker, began, ended = (
        column[chosen]
        for column in (idle_intervals.worker, idle_intervals.began, idle_intervals.ended)
    )
    return worker, began, ended, np.clip(idle_intervals.extra["waking_ns"][chosen], began, ended)


def levels(stretch: Slice) -> tuple[Int64, Int64, Int64, Int64]:
    """Return step functions over the stretch: edges, shape (n + 1,), and q, p, w, shape (n,)."""
    _, began, ended, wakes = _parked(stretch)
    kinds = (
        (stretch.spawned_ns, 0, 1),
        (stretch.started_ns, 0, -1),
        (began, 1, 1),
        (ended, 1, -1),
        (wakes, 2, 1),
        (ended, 2, -1),
    )
    timestamps = np.concatenate([times for times, _, _ in kinds])
    lengths = [len(times) for times, _, _ in kinds]
    order = np.argsort(timestamps, kind="stable")
    edges = np.concatenate([[stretch.begin_ns], timestamps[order], [stretch.end_ns]])
    sums = np.zeros((3, len(timestamps) + 1), dtype=np.int64)
    for level in range(3):  # small steps, one level at a time: there may be millions
        steps = [step if level == of else 0 for _, of, step in kinds]
        each = np.repeat(np.array(steps, dtype=np.int8), lengths)[order]
        np.cumsum(each, dtype=np.int64, out=sums[level, 1:])
    queued = np.maximum(sums[0] + stretch.queued_at_begin, 0)
    return edges, queued, sums[1], sums[2]
