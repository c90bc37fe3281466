"""What pictures are drawn from, in the JSON document: time splits over time, lengths, the curve."""

from __future__ import annotations

from math import isfinite, isnan
from typing import TYPE_CHECKING, Any

from ..model.worker_time import CATEGORIES, FIRST_IDLE
from .json_fields import fields_of, finite, value_of

if TYPE_CHECKING:
    from ..model.reading import PoolReading
    from ..model.worker_time import WorkerTime
    from ..model.workers import WorkerReading


def over_time(pool: PoolReading) -> dict[str, Any]:
    """Return the slices of the window, how long intervals were, and the predicted curve."""
    return {
        "slices": {
            "slice_s": pool.slice_s,
            "worker_time": [time_of(part) for part in pool.history],
            "queued": [length if isfinite(length) else None for length in pool.queue_lengths],
        },
        "lengths": value_of(pool.lengths),
        "curve": _curve(pool),
    }


def time_of(time: WorkerTime) -> dict[str, float]:
    """Return a time split in seconds."""
    return {f"{category}_s": getattr(time, category) / 1e9 for category in CATEGORIES}


def idle_shares(pool: PoolReading, worker: WorkerReading) -> list[float | None]:
    """Return a worker's idle share of each slice, null where it had no time."""
    if not len(pool.worker_slices.by_category):
        return []
    idle = pool.worker_slices.shares(worker.index)[:, FIRST_IDLE:].sum(axis=1).tolist()
    return [None if isnan(share) else share for share in idle]


def _curve(pool: PoolReading) -> dict[str, Any] | None:
    """Return what is predicted for numbers of workers; null for a queue that grows without end."""
    if pool.curve is None:
        return None
    points = [finite(fields_of(point)) for point in pool.curve.points]
    return {**fields_of(pool.curve), "points": points, "unit": pool.curve_unit}
