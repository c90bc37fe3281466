"""The present state in one line, for terminals without a screen and for logs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.vocabulary import CoreTimeSource
from .foreign_text import clean
from .formatting import amount, category_name, count, number_of
from .sections.head import nothing
from .sections.tasks import failed_phrase
from .sections.waits import off_core_name, waits_phrase
from .times import window_phrase

if TYPE_CHECKING:
    from ..model.external import ExternalPoolReading
    from ..model.reading import PoolReading, Reading
    from ..model.shares import SharesOfTime

LEAST_SHARE = 0.005
"""A smaller share of recorded worker time is left out of the line."""


def second_line(reading: Reading) -> str:
    """Return the state of the source and of each pool, safe to print."""
    source = reading.source
    if not reading.pools and not reading.external:
        none = nothing(reading) if source.is_external else "no pool yet"
        return f"{source.state}: {clean(source.note) or none}"
    when = window_phrase(source.clock, reading.window_ns)
    parts = [*map(_external, reading.external), *map(_recorded, reading.pools)]
    left_out = sum(one.count for one in source.skipped)
    note = f"; {count(left_out)} frames or rows left out" if left_out else ""
    note += f" [{clean(source.note)}]" if source.note else ""
    return f"{source.state}: " + " | ".join(parts) + note + (f" ({clean(when)})" if when else "")


def _shares(time: SharesOfTime, core_time: CoreTimeSource, least: float) -> str:
    return ", ".join(
        f"{category_name(share.category, core_time)} {amount(share)}"
        for share in time.shares
        if share.value >= least
    )


def _recorded(pool: PoolReading) -> str:
    headline = f"; {pool.headline.code}" if pool.headline else ""
    steals = f", {count(pool.steals.hits_total)} steals" if pool.has_steals else ""
    broken = "; broken" if pool.broken else ""
    lost = f", {number_of(pool.lost_rows, 'row')} lost" if pool.lost_rows else ""
    failed = f", {failed_phrase(pool.tasks)}" if pool.tasks.failed else ""
    return (
        f"{clean(pool.name)} ({number_of(len(pool.workers), 'worker')}): "
        f"{_shares(pool.time, pool.core_time, LEAST_SHARE)}; "
        f"{pool.tasks.per_s:.0f} tasks/s, {pool.tasks.queued} queued"
        f"{failed}{steals}{lost}{headline}{broken}"
    )


def _external(pool: ExternalPoolReading) -> str:
    shares = _shares(pool.time, CoreTimeSource.KERNEL, 0.0)
    waits = waits_phrase(pool.time)
    if waits:
        shares += f"; {off_core_name(pool.time)} in: {clean(waits)}"
    if pool.missing:
        shares += f"; stacks could not be read: {clean(pool.missing, 400)}"
    workers = number_of(len(pool.workers), "worker")
    headline = f"; {pool.headline.code}" if pool.headline else ""
    return f"{clean(pool.name, 60)} ({workers}, external): {shares}{headline}"
