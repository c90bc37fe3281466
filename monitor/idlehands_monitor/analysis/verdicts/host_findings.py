"""Findings from the host's figures: a CPU quota, too many workers, memory growth. Pure.

While a control group is throttled, the kernel counts its runnable threads as waiting in a run
queue. Its ``throttled_time`` counts each core once, however many threads wait there. So the quota
accounts for no more worker time than that, and for no more than the run-queue wait; the rest of the
wait is for cores that other threads had. Without the run queue's time, this wait is inside blocked,
which is the bound then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.findings import LEAST_SHARE, Finding
from ...model.vocabulary import CoreTimeSource, FindingCode
from .findings import is_too_little, part_of_all
from .running_out import memory_runs_out

if TYPE_CHECKING:
    from ...model.host import HostReading
    from ...model.worker_time import PoolTime
    from ...model.workers import LifetimesReading

LEAST_GROWTH_S = 60.0
LEAST_GROWTH_BYTES_PER_MINUTE = 1 << 20
LEAST_GROWTH_SHARE_PER_MINUTE = 0.01
"""Slower growth causes no trouble within an hour or so: common practice, no source."""
LEAST_STEEP_S = 5.0
STEEP_BYTES_PER_MINUTE, STEEP_SHARE_PER_MINUTE = 512 << 20, 1.0
"""Growth at which a process would double within a minute: chosen."""


def host_findings(
    time: PoolTime, lifetimes: LifetimesReading | None, host: tuple[HostReading, ...]
) -> tuple[Finding, ...]:
    """Return the findings on a pool from its worker time and the readings of its processes."""
    if not host:
        return ()
    found = memory_growth(host)
    if is_too_little(time.pool, time.recorded_ns / 1e9):
        return found
    workers = _workers(time, lifetimes)
    lost = _lost_to_quota(time, host)
    return (*_quota(time, workers, host, lost), *_too_many(time, workers, host, lost), *found)


def _workers(time: PoolTime, lifetimes: LifetimesReading | None) -> int:
    """Return the number of workers, a mean over the window where they join and leave.

    Not the number at its end: a closed pool has none then.
    """
    if lifetimes is None:
        return len(time.per_worker)
    return max(lifetimes.present, round(time.pool.total / time.recorded_ns))


def _lost_to_quota(time: PoolTime, host: tuple[HostReading, ...]) -> float:
    """Return worker-nanoseconds; processes of one group report the same, so they are not summed."""
    share = max((reading.throttled_share or 0.0 for reading in host), default=0.0)
    waited = time.pool.run_queue_wait
    if time.core_time != CoreTimeSource.KERNEL:
        waited += time.pool.blocked
    return min(share * (time.recorded_ns - time.counted_ns), waited)


def _quota(
    time: PoolTime, workers: int, host: tuple[HostReading, ...], lost_ns: float
) -> tuple[Finding, ...]:
    if lost_ns < LEAST_SHARE * time.pool.total:
        return ()
    worst = max(host, key=lambda reading: reading.throttled_share or 0.0)
    quota, often = worst.quota_cores, worst.throttled_periods_share
    sentence = (
        "The control group used up its CPU quota"
        + (f" of {quota:.3g} {'core' if quota == 1 else 'cores'}" if quota is not None else "")
        + (f" in {often:.0%} of its periods" if often is not None else "")
        + f", and workers then waited for the next period: about {_cost(time, workers, lost_ns)}."
    )
    advice = "Raise the quota. More workers than the quota has cores only use it up sooner."
    return (_finding(FindingCode.CPU_QUOTA, time, lost_ns, sentence, advice),)


def _too_many(
    time: PoolTime, workers: int, host: tuple[HostReading, ...], lost_ns: float
) -> tuple[Finding, ...]:
    cores = max(reading.usable_cores for reading in host)
    waited = time.pool.run_queue_wait - min(lost_ns, time.pool.run_queue_wait)
    if not 0 < cores < workers or waited < LEAST_SHARE * time.pool.total:
        return ()
    sentence = (
        f"{workers} workers shared {cores:.3g} usable {'core' if cores == 1 else 'cores'}, and "
        f"workers that were ready to run waited for a core: {_cost(time, workers, waited)}."
    )
    advice = "Run about as many workers as there are usable cores, or give the process more cores."
    return (_finding(FindingCode.MORE_WORKERS_THAN_CORES, time, waited, sentence, advice),)


def memory_growth(host: tuple[HostReading, ...]) -> tuple[Finding, ...]:
    """Return the finding on the process whose memory grows fastest, if one grows for long."""
    growing = [
        (reading.growth_bytes_per_minute, reading)
        for reading in host
        if reading.growth_is_steady
        and reading.growth_bytes_per_minute is not None
        and _grows(reading.growth_bytes_per_minute, reading)
    ]
    if not growing:
        return ()
    rate, worst = max(growing, key=lambda pair: pair[0])
    left = worst.memory_left_bytes
    out = memory_runs_out(None if left is None else left / rate * 60)
    sentence = (
        f"Resident memory of process {worst.pid} grew steadily by {rate / 2**20:.1f} MiB a minute "
        f"over {worst.growth_over_s:.0f} s, to {worst.resident_bytes / 2**20:.0f} MiB"
        f"{f'; {out}' if out else ''}."
    )
    advice = (
        "Find what tasks leave behind: caches without a bound, or results and futures that are "
        "never released. Or replace worker processes after a number of tasks."
    )
    return (Finding(FindingCode.MEMORY_GROWTH, 0.0, 0.0, sentence, advice),)


def _grows(bytes_per_minute: float, reading: HostReading) -> bool:
    """Return whether memory grows for long, or so steeply that seconds show it."""
    if reading.growth_over_s < LEAST_GROWTH_S:
        return (
            reading.growth_over_s >= LEAST_STEEP_S
            and bytes_per_minute >= STEEP_SHARE_PER_MINUTE * reading.resident_bytes
            and bytes_per_minute >= STEEP_BYTES_PER_MINUTE
        )
    least = LEAST_GROWTH_SHARE_PER_MINUTE * reading.resident_bytes
    return bytes_per_minute >= max(LEAST_GROWTH_BYTES_PER_MINUTE, least)


def _cost(time: PoolTime, workers: int, cost_ns: float) -> str:
    return (
        f"{cost_ns / 1e9:.1f} worker-seconds, "
        f"{part_of_all(cost_ns / time.pool.total, workers, time.pool)}"
    )


def _finding(
    code: FindingCode, time: PoolTime, cost_ns: float, sentence: str, advice: str
) -> Finding:
    return Finding(code, cost_ns / 1e9, cost_ns / time.pool.total, sentence, advice)
