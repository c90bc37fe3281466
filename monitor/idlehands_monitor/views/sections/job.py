"""The totals of a job of several pools, and the time stranded between its pools."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from ...model.vocabulary import CoreTimeSource
from ..foreign_text import bounded
from ..formatting import number_of
from .facts import Section, plain
from .time_split import split_parts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.external import ExternalPoolReading
    from ...model.reading import PoolReading, Reading

MOST_STRANDED, LEAST_STRANDED_S = 12, 0.005
"""A shorter time would read 0.00 worker-seconds."""


def job(reading: Reading) -> Section | None:
    """Return the totals of all pools; None for a job of one pool or none."""
    if len(reading.pools) < 2:
        return None
    workers = sum(len(pool.workers) for pool in reading.pools)
    processes = len(reading.source.processes)
    where = f" in {processes} processes" if processes > 1 else ""
    lead = (
        f"{len(reading.pools)} pools{where}, {number_of(workers, 'worker')}, "
        f"{reading.total.worker_seconds:.1f} worker-seconds"
    )
    all_assumed = all(pool.core_time == CoreTimeSource.ASSUMED for pool in reading.pools)
    known = CoreTimeSource.ASSUMED if all_assumed else CoreTimeSource.KERNEL
    parts = split_parts(reading.total, known)
    return Section("The job", lead, parts, level=2)


def pool_names(pools: Sequence[PoolReading | ExternalPoolReading]) -> list[str]:
    """Return the name of each pool, with its process where several have one name."""
    together = Counter(pool.name for pool in pools)
    return [
        bounded(pool.name)
        + (f" (process {pool.pid})" if together[pool.name] > 1 and pool.pid >= 0 else "")
        for pool in pools
    ]


def stranded(reading: Reading) -> Section | None:
    """Return how long workers of one pool idled beside work of another; None where they did not."""
    names = dict(
        zip((pool.number for pool in reading.pools), pool_names(reading.pools), strict=True)
    )
    lines = [
        f"{names.get(pair.idle_pool, '?')} had no work while {names.get(pair.loaded_pool, '?')} "
        f"had: {pair.seconds:.2f} worker-seconds"
        for pair in reading.stranded[:MOST_STRANDED]
        if pair.seconds >= LEAST_STRANDED_S
    ]
    lead = (
        "time in which workers of one pool had no work while another pool had more queued tasks "
        "than parked workers"
    )
    return Section("Stranded", lead, plain(*lines), level=2) if lines else None
