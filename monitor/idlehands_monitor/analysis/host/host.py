"""The host's figures of processes and threads in a window: rates, memory, quota.

Pure. Between two samples a counter is assumed to grow evenly. A step in which it fell (the switches
of ended threads are no longer counted) is left out, with its time.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import combinations, pairwise
from operator import attrgetter
from statistics import median
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from idlehands.wire import NONE

from ...ledger import ProcessSample, SwitchSample
from ...ledger.host import GROWTH_NS
from ...model.host import HostReading, ThreadReading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import Ledger, PoolLedger

Sample = TypeVar("Sample", ProcessSample, SwitchSample)
PARTS = 6
"""Parts of the stretch over which memory growth is measured."""
LEAST_GROWTH_NS = 5_000_000_000
MOST_POINTS = 60
"""Samples used for growth, so that many processes stay cheap."""

QUOTA = ProcessSample._fields.index("quota_cores")

at_ns = attrgetter("at_ns")


class Growth(NamedTuple):
    """How memory grew: bytes a minute, over how long, and whether every part was above the last."""

    bytes_per_minute: float | None
    over_s: float
    is_steady: bool


def host_readings(ledger: Ledger, begin_ns: int, end_ns: int) -> tuple[HostReading, ...]:
    """Return a reading of every process sampled in the window, by pid."""
    main = _main_pid(ledger)
    workers: dict[int, set[int]] = {}
    for pool in ledger.pools.values():
        for thread in pool.threads.values():
            pid = thread.pid if thread.pid != NONE else main
            workers.setdefault(pid, set()).add(thread.native_id)
    counters = ledger.processes
    readings = []
    for pid, samples in sorted(counters.processes.items()):
        held = samples[: bisect_right(samples, end_ns, key=at_ns) + 1]  # one more, behind the end
        if held[-1].at_ns > begin_ns:
            threads = tuple(
                _thread(native_id, counters.threads[native_id], begin_ns, end_ns)
                for native_id in sorted(workers.get(pid, ()))
                if native_id in counters.threads
            )
            readings.append(_process(pid, held, begin_ns, end_ns, threads))
    return tuple(readings)


def of_pool(pool: PoolLedger, host: tuple[HostReading, ...]) -> tuple[HostReading, ...]:
    """Return the readings of the pool's process and of its worker processes."""
    pids = {pool.pid} | {thread.pid for thread in pool.threads.values()}
    return tuple(reading for reading in host if reading.pid in pids)


def memory_lasts_s(host: tuple[HostReading, ...]) -> float | None:
    """Return after how many seconds no memory is left, if all processes go on growing as they do.

    None where none grows steadily, or where it is not known how much is left.
    """
    grows = sum(
        max(0.0, one.growth_bytes_per_minute or 0.0) for one in host if one.growth_is_steady
    )
    left = [one.memory_left_bytes for one in host if one.memory_left_bytes is not None]
    return min(left) / grows * 60 if left and grows > 0 else None


def _main_pid(ledger: Ledger) -> int:
    pid = ledger.hello.get("pid")
    return pid if isinstance(pid, int) else NONE


def _process(
    pid: int,
    samples: Sequence[ProcessSample],
    begin_ns: int,
    end_ns: int,
    threads: tuple[ThreadReading, ...],
) -> HostReading:
    def rate(name: str) -> float | None:
        grown, over_ns = grown_between(samples, name, begin_ns, end_ns)
        return grown / over_ns * 1e9 if over_ns else None

    last, growth = samples[-1], memory_growth(samples)
    covered_ns = min(end_ns, last.at_ns) - max(begin_ns, samples[0].at_ns)
    samples = samples[max(0, bisect_right(samples, begin_ns, key=at_ns) - 1) :]
    throttled, over_ns = grown_between(samples, "throttled_ns", begin_ns, end_ns)
    throttled_periods, _ = grown_between(samples, "throttled_periods", begin_ns, end_ns)
    periods, _ = grown_between(samples, "periods", begin_ns, end_ns)
    waited, waited_over_ns = grown_between(samples, "io_wait_ns", begin_ns, end_ns)
    return HostReading(
        pid=pid,
        covered_s=max(0, covered_ns) / 1e9,
        resident_bytes=last.resident_bytes,
        growth_bytes_per_minute=growth.bytes_per_minute,
        growth_over_s=growth.over_s,
        growth_is_steady=growth.is_steady,
        minor_faults_per_s=rate("minor_faults"),
        major_faults_per_s=rate("major_faults"),
        voluntary_switches_per_s=rate("voluntary_switches"),
        nonvoluntary_switches_per_s=rate("nonvoluntary_switches"),
        affinity=last.affinity,
        usable_cores=last.usable_cores,
        quota_cores=last.quota_cores if last.quota_cores > 0 else None,
        throttled_share=throttled / over_ns if over_ns else None,
        throttled_periods_share=throttled_periods / periods if periods else None,
        io_wait_s=waited / 1e9 if waited_over_ns else None,
        threads=threads,
        memory_left_bytes=last.memory_left_bytes if last.memory_left_bytes >= 0 else None,
    )


def _thread(
    native_id: int, samples: Sequence[SwitchSample], begin_ns: int, end_ns: int
) -> ThreadReading:
    voluntary, over_ns = grown_between(samples, "voluntary_switches", begin_ns, end_ns)
    nonvoluntary, _ = grown_between(samples, "nonvoluntary_switches", begin_ns, end_ns)
    waited, waited_over_ns = grown_between(samples, "io_wait_ns", begin_ns, end_ns)
    return ThreadReading(
        native_id,
        voluntary / over_ns * 1e9 if over_ns else None,
        nonvoluntary / over_ns * 1e9 if over_ns else None,
        waited / 1e9 if waited_over_ns else None,
    )


def grown_between(
    samples: Sequence[Sample], name: str, begin_ns: int, end_ns: int
) -> tuple[float, int]:
    """Return (growth of a counter, ns for which it is known) between two timestamps.

    Steps in which the counter is unknown or fell, or the quota changed, are left out: the counter
    may then be that of another control group.
    """
    start = max(0, bisect_right(samples, begin_ns, key=at_ns) - 1)
    column = samples[0]._fields.index(name)  # by place, for speed
    quota = QUOTA if len(samples[0]) > QUOTA else 0
    grown, known_ns = 0.0, 0
    for one, other in pairwise(samples[start:]):
        began, ended = one[0], other[0]
        if began >= end_ns:
            break
        low = began if began > begin_ns else begin_ns
        high = ended if ended < end_ns else end_ns
        before, after = one[column], other[column]
        if high > low and 0 <= before <= after and (not quota or one[quota] == other[quota]):
            grown += (after - before) * (high - low) / (ended - began)
            known_ns += high - low
    return grown, known_ns


def memory_growth(samples: Sequence[ProcessSample]) -> Growth:
    """Return how resident memory grew over the samples' last `GROWTH_NS`.

    Takes the least value of each of `PARTS` equal parts, so that memory that is given back does not
    count, and the median of the slopes between all of these (P. K. Sen 1968, *J. Amer. Statist.
    Assoc.* 63(324):1379-1389). Steady: each value is above the one before.
    """
    end = samples[-1].at_ns
    recent = samples[bisect_right(samples, end - GROWTH_NS - 1, key=at_ns) :]
    begin = recent[0].at_ns
    over_s = (end - begin) / 1e9
    edges = [begin + (end - begin) * part // PARTS for part in range(1, PARTS)]
    places = [0, *(bisect_right(recent, edge, key=at_ns) for edge in edges), len(recent)]
    step = -(-len(recent) // MOST_POINTS)
    parts = [recent[early:late:step] for early, late in pairwise(places)]
    if end - begin < LEAST_GROWTH_NS or not all(parts):
        return Growth(None, over_s, is_steady=False)
    part_minutes = over_s / PARTS / 60
    values = [min(sample.resident_bytes for sample in part) for part in parts]
    slope = median(
        (values[late] - values[early]) / (late - early)
        for early, late in combinations(range(PARTS), 2)
    )
    return Growth(slope / part_minutes, over_s, is_steady=all(a < b for a, b in pairwise(values)))
