"""Reconciles adjacent windows: splits all of them by the best source of core time of any. Pure.

A monitor that attaches late reads earlier rows from the rings, but nobody read the kernel's
counters at that time. So that time is split in the proportions of the rest.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ...model.vocabulary import Category, CoreTimeSource
from ...model.worker_time import CATEGORIES, FIRST_BETWEEN, InTask, PoolTime, padded, summed
from ..stats.rounding import shared_out

if TYPE_CHECKING:
    from collections.abc import Sequence


def reconciled(parts: Sequence[PoolTime]) -> list[PoolTime]:
    """Return adjacent windows, all split by the best source known for any of them."""
    best = max((part.core_time for part in parts), key=_rank, default=CoreTimeSource.ASSUMED)
    known = [part for part in parts if part.core_time == best]
    if len(known) == len(parts):
        return list(parts)
    base = summed(known)
    return [part if part.core_time == best else _split_like(part, base) for part in parts]


def _rank(source: CoreTimeSource) -> int:
    return source.rank


def _split_like(time: PoolTime, known: PoolTime) -> PoolTime:
    """Return `time` with its time in tasks split in the proportions of another window of its pool.

    The split is into working, blocked and run-queue wait; `known` has the better source.
    """
    workers = time.by_category.shape[1]
    inside, inside_known = time.unwaited(), padded(known.unwaited(), workers)
    by_category = time.by_category.copy()
    left = inside.copy()
    for row in (CATEGORIES.index(Category.WORKING), CATEGORIES.index(Category.RUN_QUEUE_WAIT)):
        part = padded(known.by_category[row], workers)
        pooled = known.by_category[row].sum() / max(1, int(known.unwaited().sum()))
        share = np.where(inside_known > 0, part / np.maximum(inside_known, 1), pooled)
        by_category[row] = np.minimum((inside * share).astype(np.int64), left)
        left -= by_category[row]
    by_category[CATEGORIES.index(Category.BLOCKED)] = left + padded(time.waited, workers)
    working, _, run_queue = by_category[:FIRST_BETWEEN].sum(axis=1).tolist()
    in_task = _kinds_split_like(time.in_task, known.in_task, working, run_queue)
    return replace(time, by_category=by_category, core_time=known.core_time, in_task=in_task)


def _kinds_split_like(time: InTask, known: InTask, working: int, run_queue: int) -> InTask:
    """Return `time` with the given working and run-queue wait, by kind in `known`'s proportions."""
    total = time.by_kind.sum(axis=0)
    shares = np.zeros((3, len(total)))
    columns = min(known.by_kind.shape[1], len(total)) - 1
    shares[:, :columns] = known.by_kind[:, :columns]
    shares[:, -1] = known.by_kind[:, -1]
    summed = shares.sum(axis=0)
    pooled = known.by_kind.sum(axis=1) / max(1, int(known.by_kind.sum()))
    shares = np.where(summed > 0, shares / np.maximum(summed, 1), pooled[:, None])
    on = shared_out(total * shares[0], working, total)
    queued = shared_out(total * shares[2], run_queue, total - on)
    return replace(time, by_kind=np.stack((on, total - on - queued, queued)))
