"""Findings: from where the worker time went to one plain sentence and what to try.

A finding is silent below its minimum: less than `LEAST_WINDOW_S` recorded, or as many
worker-seconds, or less than `LEAST_SHARE` of the worker time. The costliest comes first; it is the
headline.
"""

from __future__ import annotations

from signal import Signals
from typing import TYPE_CHECKING, NamedTuple

from ...model.blocked import BlockedReading
from ...model.findings import Finding
from ...model.vocabulary import FindingCode

if TYPE_CHECKING:
    from collections.abc import Callable

    from ...model.worker_time import WorkerTime
    from ...model.workers import DeadWorkerReading, LifetimesReading

LEAST_WINDOW_S = 1.0
LEAST_SHARE = 0.05
AT_ONCE_NS = 1_000_000_000
"""The probe looks for dead worker processes about once a second."""
INTERPRETER_LOCK = "interpreter lock"
WAIT_WORDS = {
    "lock": "a lock",
    "sleep": "a sleep to end",
    "input/output": "input or output",
    "child process": "a child process",
}
NOT_BLOCKED = BlockedReading(0.0, 0.0, (), 0, 0.0, one_core=False)


class _Facts(NamedTuple):
    """What a pool's findings follow from.

    `stranded_ns` of its idle time, see `stranded`. What other findings account for already:
    `searched_ns` of searching, `held_back_ns` of blocked.
    """

    time: WorkerTime
    blocked: BlockedReading
    stranded_ns: float
    searched_ns: float = 0.0
    held_back_ns: float = 0.0


class _Cause(NamedTuple):
    code: FindingCode
    cost: Callable[[_Facts], float]
    sentence: str
    advice: str
    advice_one_queue: str = ""
    """Where the workers share one queue and what helps is something else."""
    advice_one_worker: str = ""
    """Where there is one worker and what helps is something else."""


def _interpreter_lock_ns(facts: _Facts) -> float:
    """Return what waiting for the interpreter lock took: seen, or told by one core's worth."""
    blocked = facts.blocked
    if blocked.samples and not blocked.unsplit_s:
        seen = blocked.seconds(INTERPRETER_LOCK) * 1e9
    else:
        seen = blocked.unsplit_s * 1e9 if blocked.one_core else 0.0
    return min(seen, facts.time.blocked - facts.held_back_ns)


CAUSES = (
    _Cause(
        FindingCode.STARVED_BESIDE_WORK,
        lambda facts: facts.time.starved,
        "Workers were parked while tasks were queued and nobody woke them",
        "Wake a worker at every spawn, and park only after every deque and the inbox is empty.",
        "The workers woke late: hand in fewer, larger tasks, and let the thread that hands them "
        "in hold the interpreter lock less.",
    ),
    _Cause(
        FindingCode.TOO_LITTLE_PARALLELISM,
        lambda facts: facts.time.no_work - facts.stranded_ns,
        "Workers were parked because the whole pool had nothing queued",
        "Split the work further or sooner, submit the next batch before this one ends, "
        "or run fewer workers.",
        advice_one_worker="Submit the next batch before this one ends, or let the worker go until "
        "then.",
    ),
    _Cause(
        FindingCode.STRANDED_IN_OTHER_POOL,
        lambda facts: facts.stranded_ns,
        "Workers had nothing to do while another pool had more tasks than workers",
        "Let both kinds of work share one pool, or move workers to where the tasks are.",
    ),
    _Cause(
        FindingCode.LONG_SEARCHES,
        lambda facts: facts.time.searching - facts.searched_ns,
        "Workers were searching other deques for tasks",
        "Make tasks larger or split from the top, so that one steal brings more work.",
    ),
    _Cause(
        FindingCode.INTERPRETER_LOCK,
        _interpreter_lock_ns,
        "Workers in tasks waited for the interpreter lock, which one thread holds at a time",
        "Use processes instead of threads here, move the work into code that gives the lock back "
        "(arrays, compression, hashes), or run fewer threads.",
    ),
    _Cause(
        FindingCode.BLOCKED_IN_TASK,
        lambda facts: facts.time.blocked - facts.held_back_ns - _interpreter_lock_ns(facts),
        "Workers were blocked: in a task, but off the core",
        "Shorten what these tasks wait for, begin it earlier, or let other tasks run meanwhile.",
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
) -> tuple[Finding, ...]:
    """Return the findings on `time` (over `workers` workers and `window_s` seconds).

    No worker time is accounted for twice, but by a worker that died.

    `lifetimes` is given where workers come and go; `one_queue` says whether workers share a queue,
    None that they do if they come and go. `broken` says why the pool cannot be used any more. A
    worker that died, or a pool that broke, comes before all others, which may follow from it.
    `others` are put in their place among these.
    `blocked` says what blocked time waited for; `stranded_ns` how much of its idle time the pool
    had while tasks were queued in another; `searched_ns` what `others` account for of searching.
    """
    quota_s = sum(
        finding.worker_seconds for finding in others if finding.code == FindingCode.CPU_QUOTA
    )
    held_back = max(0.0, quota_s * 1e9 - time.run_queue_wait)
    facts = _Facts(time, blocked or NOT_BLOCKED, stranded_ns, searched_ns, held_back)
    shared = lifetimes is not None if one_queue is None else one_queue
    costs = _costs(facts, workers, window_s, one_queue=shared)
    costs += others
    by_cost = sorted(costs, key=lambda finding: -finding.worker_seconds)
    return (*_dead_workers(time, lifetimes, broken), *by_cost)


def _dead_workers(
    time: WorkerTime, lifetimes: LifetimesReading | None, broken: str
) -> tuple[Finding, ...]:
    if lifetimes is None or not (lifetimes.died or broken):
        return ()
    seconds = sum(dead.run_s for dead in lifetimes.dead)
    share = min(1.0, seconds * 1e9 / time.total) if time.total else 0.0
    sentence = _deaths(lifetimes) if lifetimes.died else f"The pool is broken: {broken}."
    advice = (
        "Find what ended it: too little memory (see the kernel's log), a crash in compiled code "
        "(run with -X faulthandler), a signal that another process sent, or, of a thread, an "
        "exception that its loop does not catch."
    )
    return (Finding(FindingCode.LOST_WORKER, seconds, share, sentence, advice),)


def _deaths(lifetimes: LifetimesReading) -> str:
    broke = [dead for dead in lifetimes.dead if dead.exit_status is not None]
    first, last = lifetimes.dead[0], lifetimes.dead[-1]
    if broke:
        sentence = f"The pool broke: {'; '.join(map(_death, broke))}."
        if lifetimes.died + lifetimes.left > len(broke):
            sentence += " The pool then ended its other workers itself."
    elif lifetimes.died == 1:
        sentence = f"A worker died: {_death(last)}."
    elif last.died_ns - first.died_ns < AT_ONCE_NS and not last.is_thread:
        sentence = (
            f"{lifetimes.died} workers died at once, {_death(first)}; a pool that breaks ends all "
            "its workers itself, so which of them was the first is not known."
        )
    else:
        sentence = f"{lifetimes.died} workers died; the last one was {_death(last)}."
    return sentence


def _death(dead: DeadWorkerReading) -> str:
    who = f"worker {dead.worker}, a thread" if dead.is_thread else f"process {dead.pid}"
    if dead.exit_status is not None:
        how = f"{who} {_ending(dead.exit_status)}"
        return f"{how}{_where(dead)}" if dead.kind else f"{how}, in no task"
    return f"{who},{_where(dead) or ' in a task'}"


def _where(dead: DeadWorkerReading) -> str:
    return f" in {dead.kind}, {dead.run_s:.1f} s after it had begun" if dead.kind else ""


def _ending(status: int) -> str:
    """Write how a process ended."""
    if status >= 0:
        return f"ended with exit status {status}"
    try:
        name = f" ({Signals(-status).name})"
    except ValueError:
        name = ""
    return f"was killed by signal {-status}{name}"


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
    """Say whether there is too little recorded, of the window or of workers in it, to judge by."""
    return min(window_s, time.total / 1e9) < LEAST_WINDOW_S


def part_of_all(share: float, workers: int, time: WorkerTime) -> str:
    """Write a share of the worker-seconds with all of them; below 1 % with two places.

    Workers that come and go are there for part of the window, so its length says less.
    """
    part = f"{share:.0%}" if share >= 0.01 else f"{share:.2%}"
    people = "1 worker" if workers == 1 else f"{workers} workers"
    return f"{part} of all {time.total / 1e9:.1f} ({people})"


def _waited_for(blocked: BlockedReading) -> str:
    """Return what most of the blocked time but that for the interpreter lock waited for.

    Time of which that is not known takes part in the comparison, but where it is the lock's.
    """
    unknown = 0.0 if blocked.one_core else blocked.unsplit_s
    sorts = {"a join": blocked.join_s, "a declared wait to end": blocked.declared_s}
    for wait in blocked.waits:
        if wait.sort != INTERPRETER_LOCK:
            sorts[WAIT_WORDS.get(wait.sort, "something else")] = wait.seconds
    if max(sorts.values()) <= unknown:
        return ", and what most of them waited for is not known"
    least = (sum(sorts.values()) + unknown) / 4
    most = [name for name in sorted(sorts, key=sorts.__getitem__) if 0 < sorts[name] >= least]
    return f", waiting mostly for {' and '.join(most[::-1])}"
