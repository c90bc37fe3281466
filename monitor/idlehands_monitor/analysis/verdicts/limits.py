"""Whether a reading keeps limits that somebody has set for it. Pure.

A limit is judged for each pool. A pool of which a limit's figure is not known is passed over where
another pool's is known; where no pool's is, the limit is broken: a check that measured nothing must
not seem to have passed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.limits import LARGEST_GAIN, LimitReading, LimitUnit, Measure
from ...model.vocabulary import Category, CoreTimeSource

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from ...model.findings import Finding
    from ...model.limits import Limit, Limits
    from ...model.reading import PoolReading, Reading

NO_TASKS = "no task ended"
NO_CORE_TIME = "time on a core was not measured"
NO_TIME = "no worker time was recorded"
SPLIT = (Category.WORKING, Category.BLOCKED, Category.RUN_QUEUE_WAIT)
"""Categories that only a measured time on a core distinguishes."""


def judged(reading: Reading, limits: Limits) -> tuple[LimitReading, ...]:
    """Return each limit for each pool that it can be judged of, in the order of the limits."""
    pools = [pool for pool in reading.pools if limits.pool in ("", pool.name)]
    found: list[LimitReading] = []
    for limit in limits.limits:
        found += _known([_limit(pool, limit) for pool in pools])
    for code in limits.forbidden:
        found += [_forbidden(pool, code) for pool in pools]
    if limits.gain_below is not None:
        found += _known([_gain(pool, limits.gain_below) for pool in pools])
    return tuple(found)


def _known(readings: Sequence[LimitReading]) -> Iterator[LimitReading]:
    """Yield the readings with a value; without any, one that says that nothing is known."""
    known = [one for one in readings if one.found is not None]
    if known:
        yield from known
    elif readings:
        yield replace(readings[0], pool=readings[0].pool if len(readings) == 1 else "")


def _limit(pool: PoolReading, limit: Limit) -> LimitReading:
    found, why = _found(pool, limit)
    return LimitReading(
        what=limit.name,
        pool=pool.name,
        unit=limit.unit,
        most=limit.most,
        found=found,
        holds=found is not None and found <= limit.most,
        why=why if found is None else "",
    )


def _found(pool: PoolReading, limit: Limit) -> tuple[float | None, str]:
    """Return the value of a limit's figure, None where it is not known, and then why."""
    if isinstance(limit.name, Category):
        return _share(pool, limit.name)
    if limit.name is Measure.LOST_ROWS:
        return float(pool.lost_rows), ""
    if limit.name is Measure.FAILURES:
        tasks = pool.tasks
        if limit.unit is LimitUnit.SHARE:
            return (tasks.failed_share, "") if tasks.finished else (None, NO_TASKS)
        return float(tasks.failed), ""
    return TIMES[limit.name](pool), NO_TASKS


TIMES: dict[Measure, Callable[[PoolReading], float | None]] = {
    Measure.WAIT_MEDIAN: lambda pool: pool.tasks.median_queue_wait_s,
    Measure.WAIT_P95: lambda pool: pool.tasks.p95_queue_wait_s,
    Measure.DURATION_MEDIAN: lambda pool: pool.tasks.median_run_s,
    Measure.DURATION_P95: lambda pool: pool.tasks.p95_run_s,
}


def _share(pool: PoolReading, category: Category) -> tuple[float | None, str]:
    if not pool.time.total:
        return None, NO_TIME
    is_assumed = pool.core_time is CoreTimeSource.ASSUMED
    if category in SPLIT and is_assumed:
        return None, NO_CORE_TIME
    if category is Category.RUN_QUEUE_WAIT and pool.core_time is not CoreTimeSource.KERNEL:
        return None, NO_CORE_TIME
    return getattr(pool.time, category) / pool.time.total, ""


def _forbidden(pool: PoolReading, code: str) -> LimitReading:
    held = [one for one in pool.findings if one.code == code]
    return LimitReading(
        what=f"finding {code}",
        pool=pool.name,
        unit=LimitUnit.CODES,
        most=0.0,
        found=float(len(held)),
        holds=not held,
        culprit=_text(held[0]) if held else "",
    )


def _gain(pool: PoolReading, below: float) -> LimitReading:
    gains = [(one.gain.share, one) for one in pool.findings if one.gain is not None]
    most, finding = max(gains, key=lambda pair: pair[0], default=(0.0, None))
    unknown = next((one.no_gain for one in pool.findings if one.no_gain), "")
    if not gains and unknown:
        return LimitReading(LARGEST_GAIN, pool.name, LimitUnit.SHARE, below, None, False, unknown)
    return LimitReading(
        what=LARGEST_GAIN,
        pool=pool.name,
        unit=LimitUnit.SHARE,
        most=below,
        found=most,
        holds=most < below,
        culprit=_text(finding) if finding is not None and most >= below else "",
    )


def _text(finding: Finding) -> str:
    where = f" ({finding.where})" if finding.where else ""
    return f"{finding.code}: {finding.sentence}{where}"
