"""Findings on the pools of an external process: what samples and the kernel can carry. Pure.

The run-queue wait, the quota and memory come from the kernel's counters and are exact. What blocked
workers waited for, and whether they were parked, comes from samples: such a finding needs
`LEAST_SAMPLES`, and its share is said with E. B. Wilson's interval of so many samples (1927,
J. Amer. Statist. Assoc. 22:209-212); it is a finding only if the lower end is large enough. No task
is known, so nothing can be simulated, and no finding has a gain.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from ...model.findings import LEAST_SHARE, Finding
from ...model.vocabulary import FindingCode, WaitReason
from ..stats.summary import wilson
from .findings import LEAST_WINDOW_S, WAIT_NAMES
from .health import BUSY
from .host_findings import memory_growth

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ...model.external import ExternalPoolReading, ExternalWorkerReading
    from ...model.host import HostReading

LEAST_SAMPLES = 20
"""Fewer samples give too wide an interval; common practice, no source."""
LEAST_LOCKED = 0.1
"""The least share of the worker time at locks, or at the interpreter lock: chosen."""
LEAST_BLOCKED = 0.25
"""The least share of the worker time blocked otherwise: waiting may be what the tasks are for, so
more than at locks. Chosen."""
MOST_PARKED = 0.3
"""Workers that may be parked for a larger share may keep up, however long they wait: ten samples of
workers that are never parked are enough. Chosen."""
LEAST_STUCK_S, LEAST_STUCK_SAMPLES = 30.0, 10
"""A worker is called stuck after so long at one line, in so many samples: nobody knows how long its
tasks usually take. Chosen."""
NO_GAIN = "no task of an external process is known, so nothing can be simulated"


def with_external_findings(
    pools: tuple[ExternalPoolReading, ...], host: tuple[HostReading, ...]
) -> tuple[ExternalPoolReading, ...]:
    """Return the pools with their findings: stuck workers, then what costs most, then memory."""
    used = sum(pool.time.working * len(pool.workers) for pool in pools)
    return tuple(replace(pool, findings=_findings(pool, _of(pool, host), used)) for pool in pools)


def _of(pool: ExternalPoolReading, host: tuple[HostReading, ...]) -> tuple[HostReading, ...]:
    pids = {pool.pid} | {worker.pid for worker in pool.workers}
    return tuple(one for one in host if one.pid in pids)


def _findings(
    pool: ExternalPoolReading, host: tuple[HostReading, ...], used_cores: float
) -> tuple[Finding, ...]:
    if pool.window_s < LEAST_WINDOW_S or pool.time.seconds < LEAST_WINDOW_S:
        return memory_growth(host)
    costs = [*_waits(pool), *_for_cores(pool, host, used_cores)]
    by_cost = sorted(costs, key=lambda one: -one.worker_seconds)
    return (*_stuck(pool), *by_cost, *memory_growth(host))


def _finding(
    pool: ExternalPoolReading,
    code: FindingCode,
    share: float,
    words: tuple[str, str],
    evidence: str = "",
    where: str = "",
) -> Finding:
    """Return a finding; words: its sentence and what to try."""
    seconds = share * pool.time.seconds
    return Finding(code, seconds, share, *words, evidence, where=where, no_gain=NO_GAIN)


# -- what samples show -----------------------------------------------------------------------------


def _waits(pool: ExternalPoolReading) -> Iterator[Finding]:
    time = pool.time
    if time.wait_samples < LEAST_SAMPLES:
        return
    shares = {wait.sort: wait.share for wait in time.waits}
    interpreter = _Sampled(shares.pop(WaitReason.INTERPRETER_LOCK, 0.0), time.wait_samples)
    if interpreter.low >= LEAST_LOCKED:
        words = (
            "Workers wait for the interpreter lock, which only one thread holds at a time, for "
            f"{interpreter} of their time",
            "Run these tasks in processes, on a free-threaded build, or in code that releases the "
            "lock (arrays, compression, hashes)",
        )
        yield _finding(pool, FindingCode.INTERPRETER_LOCK, interpreter.share, words, _samples(pool))
    if time.parked is None or not time.dumps:
        return  # without stacks a parked worker looks like one that waits
    samples = min(time.wait_samples, time.dumps)
    locked = _Sampled(shares.pop(WaitReason.LOCK, 0.0), samples)
    if locked.low >= LEAST_LOCKED:
        words = (
            f"Workers in tasks wait for a lock for {locked} of their time",
            "Hold the lock for less of each task, or use a lock for each part of what it protects",
        )
        yield _finding(
            pool, FindingCode.LOCK_WAIT, locked.share, words, _samples(pool), _place(pool)
        )
    others = _Sampled(sum(shares.values()), samples)
    if others.low >= LEAST_BLOCKED and time.parked.high <= MOST_PARKED:
        yield _blocked(pool, others, max(shares, key=shares.__getitem__))


def _blocked(pool: ExternalPoolReading, others: _Sampled, most: str) -> Finding:
    words = (
        f"Workers are blocked in tasks for {others} of their time, mostly waiting for "
        f"{WAIT_NAMES.get(most, 'something else')}, and hardly ever parked: more is queued than "
        "they can begin",
        "Make these waits shorter, or use more workers if what the tasks wait for can serve more "
        "of them at once",
    )
    code, share = FindingCode.BLOCKED_IN_TASK, others.share
    return _finding(pool, code, share, words, _samples(pool), _place(pool))


class _Sampled(NamedTuple):
    """A share of the worker time, and how many samples it rests on."""

    share: float
    samples: int

    @property
    def _interval(self) -> tuple[float, float]:
        return wilson(min(1.0, self.share) * self.samples, self.samples)

    @property
    def low(self) -> float:
        """The lower end of its interval."""
        return self._interval[0]

    def __str__(self) -> str:
        low, high = self._interval
        return f"{100 * self.share:.0f} % ({100 * low:.0f} to {100 * high:.0f})"


def _samples(pool: ExternalPoolReading) -> str:
    return (
        f"{pool.time.wait_samples} samples of what threads wait for, {pool.time.dumps} of their "
        "stacks; the interval is of 95 %"
    )


def _place(pool: ExternalPoolReading) -> str:
    """Return where workers were most often blocked, "" where no sample shows it."""
    if not pool.blocked_stacks or not pool.blocked_stacks[0].frames:
        return ""
    frame = pool.blocked_stacks[0].frames[-1]
    return f"{frame.function}, {frame.file.rpartition('/')[2]}:{frame.line}"


def _stuck(pool: ExternalPoolReading) -> Iterator[Finding]:
    stuck = [
        worker
        for worker in pool.workers
        if worker.same_for_s >= LEAST_STUCK_S and worker.same_samples >= LEAST_STUCK_SAMPLES
    ]
    if not stuck:
        return
    worst: ExternalWorkerReading = max(stuck, key=lambda one: one.same_for_s)
    more = f", and {len(stuck) - 1} more" if len(stuck) > 1 else ""
    waits = (
        f", waiting for {WAIT_NAMES.get(worst.waits_for, 'something')}" if worst.waits_for else ""
    )
    where = ""
    if worst.place is not None:
        where = f"{worst.place.function}, {worst.place.file.rpartition('/')[2]}:{worst.place.line}"
    seconds = sum(worker.same_for_s for worker in stuck)
    share = min(1.0, seconds / max(1e-9, pool.time.seconds))
    words = (
        f"Worker {worst.index} has been at the same line for {worst.same_for_s:.0f} s{waits}{more}",
        "See its stack (Enter on the worker), and give what it waits for a time limit",
    )
    evidence = f"the same stack in its last {worst.same_samples} samples"
    yield _finding(pool, FindingCode.STUCK_WORKER, share, words, evidence, where)


# -- what the kernel counts ------------------------------------------------------------------------


def _for_cores(
    pool: ExternalPoolReading, host: tuple[HostReading, ...], used_cores: float
) -> Iterator[Finding]:
    """Yield the findings on workers that were ready to run and had no core."""
    waited = pool.time.run_queue_wait
    throttled = max((one.throttled_share or 0.0 for one in host), default=0.0)
    lost = min(waited, throttled * pool.window_s / max(1e-9, pool.time.seconds))
    if lost >= LEAST_SHARE:
        words = (
            f"The control group used up its CPU quota, and workers waited for the next period for "
            f"{100 * lost:.0f} % of their time",
            "Raise the quota. More workers than the quota has cores only use it up sooner",
        )
        yield _finding(pool, FindingCode.CPU_QUOTA, lost, words)
    left = waited - lost
    cores = max((one.usable_cores for one in host), default=0.0)
    if left < LEAST_SHARE or cores <= 0:
        return
    if used_cores < BUSY * cores:
        words = (
            "Other processes or threads had the cores: workers that were ready waited for one for "
            f"{100 * left:.0f} % of their time, and used {used_cores:.1f} of {cores:.3g} cores",
            "Find what else runs on this machine (top), or give the pool cores of its own",
        )
        yield _finding(pool, FindingCode.CORES_BUSY_ELSEWHERE, left, words)
    elif len(pool.workers) > cores:
        words = (
            f"{len(pool.workers)} workers share {cores:.3g} usable cores, and workers that were "
            f"ready waited for one for {100 * left:.0f} % of their time",
            "Run about as many workers as there are usable cores",
        )
        yield _finding(pool, FindingCode.MORE_WORKERS_THAN_CORES, left, words)
