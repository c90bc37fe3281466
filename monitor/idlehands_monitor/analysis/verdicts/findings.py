"""Findings: turns the time split into plain sentences, each with its cost and what to try. Pure.

A finding is silent with less than `LEAST_WINDOW_S` recorded seconds or worker-seconds, and below
`LEAST_SHARE` of the worker time. The costliest finding comes first; it is the headline.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ...model.blocked import BlockedReading
from ...model.findings import LEAST_SHARE, Finding
from ...model.vocabulary import FindingCode, WaitReason
from .lost_workers import lost_workers

if TYPE_CHECKING:
    from collections.abc import Callable

    from ...model.tasks import TaskReading
    from ...model.worker_time import WorkerTime
    from ...model.workers import LifetimesReading

LEAST_WINDOW_S = 1.0
WAIT_NAMES: dict[str, str] = {
    WaitReason.LOCK: "a lock",
    WaitReason.SLEEP: "a sleep to end",
    WaitReason.INPUT_OUTPUT: "input or output",
    WaitReason.CHILD_PROCESS: "a child process",
}
NOT_BLOCKED = BlockedReading(0.0, 0.0, (), 0, 0.0, one_core=False)


class _Facts(NamedTuple):
    """The input of a pool's findings.

    `stranded_ns`: the part of its idle time that was stranded, see `time.stranded`. Other findings
    account for `searched_ns` of searching and `throttled_ns` of blocked.
    """

    time: WorkerTime
    blocked: BlockedReading
    stranded_ns: float
    searched_ns: float = 0.0
    throttled_ns: float = 0.0


class _Cause(NamedTuple):
    code: FindingCode
    cost: Callable[[_Facts], float]
    sentence: str
    advice: str
    advice_one_queue: str = ""
    """Replaces `advice` where the workers share one queue, if not empty."""
    advice_one_worker: str = ""
    """Replaces `advice` where there is one worker, if not empty."""


def _interpreter_lock_ns(facts: _Facts) -> float:
    """Return the time waiting for the interpreter lock: sampled, or inferred from one busy core."""
    blocked = facts.blocked
    if blocked.samples and not blocked.unsplit_s:
        waited = blocked.seconds(WaitReason.INTERPRETER_LOCK) * 1e9
    else:
        waited = blocked.unsplit_s * 1e9 if blocked.one_core else 0.0
    return min(waited, facts.time.blocked - facts.throttled_ns)


CAUSES = (
    _Cause(
        FindingCode.STARVED_BESIDE_WORK,
        lambda facts: facts.time.starved,
        "Workers were parked while tasks were queued, and nobody woke them",
        "Wake a worker at every spawn, and let a worker park only when every deque and the inbox "
        "are empty.",
        "The workers woke too late: hand in fewer and larger tasks, and let the thread that hands "
        "them in hold the interpreter lock for less time.",
    ),
    _Cause(
        FindingCode.TOO_LITTLE_PARALLELISM,
        lambda facts: facts.time.no_work - facts.stranded_ns,
        "Workers were parked because no task was queued in the whole pool",
        "Split the work into more tasks, submit the next batch before this one ends, "
        "or run fewer workers.",
        advice_one_worker="Submit the next batch before this one ends, or stop the worker until "
        "then.",
    ),
    _Cause(
        FindingCode.STRANDED_IN_OTHER_POOL,
        lambda facts: facts.stranded_ns,
        "Workers had no task while another pool had more tasks than workers",
        "Let both kinds of work share one pool, or give the other pool more of the workers.",
    ),
    _Cause(
        FindingCode.LONG_SEARCHES,
        lambda facts: facts.time.searching - facts.searched_ns,
        "Workers were searching other deques for tasks",
        "Make tasks larger, or split the work from the top, so that one steal brings more work.",
    ),
    _Cause(
        FindingCode.INTERPRETER_LOCK,
        _interpreter_lock_ns,
        "Workers in tasks waited for the interpreter lock, which only one thread holds at a time",
        "Use processes instead of threads here, move the work into code that releases the lock "
        "(arrays, compression, hashes), or run fewer threads.",
    ),
    _Cause(
        FindingCode.BLOCKED_IN_TASK,
        lambda facts: facts.time.blocked - facts.throttled_ns - _interpreter_lock_ns(facts),
        "Workers were blocked: in a task, but off the core",
        "Make these waits shorter, start what the tasks wait for earlier, or run other tasks "
        "meanwhile.",
    ),
)


def findings(
    time: WorkerTime,
    workers: int,
    window_s: float,
    lifetimes: LifetimesReading | None = None,
    others: tuple[Finding, ...] = (),
    blocked: BlockedReading | None = None,
    stranded_ns: float = 0.0,
    searched_ns: float = 0.0,
    *,
    one_queue: bool | None = None,
    broken: str = "",
    tasks: TaskReading | None = None,
) -> tuple[Finding, ...]:
    """Return the findings on `time` (over `workers` workers and `window_s` seconds).

    No worker time is accounted for twice, except by a worker that died. A dead worker or a broken
    pool comes first, since the other findings may follow from it; the rest is ordered by cost.

    lifetimes: given where workers join and leave. others: further findings, put in order. blocked:
    what blocked time waited for. stranded_ns: idle time while tasks were queued in another pool.
    searched_ns: the searching time that `others` account for. one_queue: whether workers share a
    queue; None: they do if `lifetimes` is given. broken: why the pool can no longer be used. tasks:
    those of the window.
    """
    quota_s = sum(
        finding.worker_seconds for finding in others if finding.code == FindingCode.CPU_QUOTA
    )
    throttled_ns = max(0.0, quota_s * 1e9 - time.run_queue_wait)
    facts = _Facts(time, blocked or NOT_BLOCKED, stranded_ns, searched_ns, throttled_ns)
    shared = lifetimes is not None if one_queue is None else one_queue
    costs = _costs(facts, workers, window_s, one_queue=shared)
    costs += others
    by_cost = sorted(costs, key=lambda finding: -finding.worker_seconds)
    return (*lost_workers(time, lifetimes, broken, tasks), *by_cost)


def _costs(facts: _Facts, workers: int, window_s: float, *, one_queue: bool) -> tuple[Finding, ...]:
    time = facts.time
    if is_too_little(time, window_s):
        return ()
    found = []
    for cause in CAUSES:
        cost = cause.cost(facts)
        share = cost / time.total
        if share < LEAST_SHARE:
            continue
        seconds = cost / 1e9
        what = _waited_for(facts.blocked) if cause.code == FindingCode.BLOCKED_IN_TASK else ""
        sentence = (
            f"{cause.sentence}{what}: {seconds:.1f} worker-seconds, "
            f"{part_of_all(share, workers, time)}."
        )
        advice = (
            (cause.advice_one_worker if workers == 1 else "")
            or (cause.advice_one_queue if one_queue else "")
            or cause.advice
        )
        found.append(Finding(cause.code, seconds, share, sentence, advice))
    return tuple(found)


def is_too_little(time: WorkerTime, window_s: float) -> bool:
    """Return whether too little is recorded for findings, of the window or of worker time."""
    return min(window_s, time.total / 1e9) < LEAST_WINDOW_S


def part_of_all(share: float, workers: int, time: WorkerTime) -> str:
    """Return a share of the worker-seconds and their total as text; below 1 % with two places.

    The total, not the window's length: workers may join and leave during the window.
    """
    part = f"{share:.0%}" if share >= 0.01 else f"{share:.2%}"
    people = "1 worker" if workers == 1 else f"{workers} workers"
    return f"{part} of {time.total / 1e9:.1f} in total ({people})"


def _waited_for(blocked: BlockedReading) -> str:
    """Return, as text, what most of the blocked time waited for except the interpreter lock.

    Time with an unknown reason takes part in the comparison, unless the lock explains it.
    """
    unknown = 0.0 if blocked.one_core else blocked.unsplit_s
    sorts = {"a join": blocked.join_s, "a declared wait to end": blocked.declared_s}
    for wait in blocked.waits:
        if wait.sort != WaitReason.INTERPRETER_LOCK:
            sorts[WAIT_NAMES.get(wait.sort, "something else")] = wait.seconds
    if max(sorts.values()) <= unknown:
        return ", and it is not known what most of them waited for"
    least = (sum(sorts.values()) + unknown) / 4
    most = [name for name in sorted(sorts, key=sorts.__getitem__) if 0 < sorts[name] >= least]
    return f", waiting mostly for {' and '.join(most[::-1])}"
