"""The finding on workers that died, on a broken pool, and on a pool without any worker. Pure."""

from __future__ import annotations

from signal import Signals
from typing import TYPE_CHECKING

from ...model.findings import Finding
from ...model.vocabulary import FindingCode

if TYPE_CHECKING:
    from ...model.tasks import TaskReading
    from ...model.worker_time import WorkerTime
    from ...model.workers import DeadWorkerReading, LifetimesReading

AT_ONCE_NS = 1_000_000_000
"""Deaths within this time count as simultaneous: the probe checks about once a second."""
LEAST_GONE_S = 3.0
"""A pool that is without workers for less may be about to start others: chosen."""
MOST_ERRORS = 2
"""Exceptions that may have ended a thread, up to which they are named: chosen."""


def lost_workers(
    time: WorkerTime, lifetimes: LifetimesReading | None, broken: str, tasks: TaskReading | None
) -> tuple[Finding, ...]:
    """Return the finding on a pool's lost workers, if it has lost any.

    broken: why the pool can no longer be used. tasks: those of its window; they say what is queued.
    """
    if lifetimes is None:
        return ()
    queued = tasks.queued if tasks is not None else 0
    deserted = lifetimes.none_for_s >= LEAST_GONE_S and queued > 0
    if not (lifetimes.died or broken or deserted):
        return ()
    seconds = sum(dead.run_s for dead in lifetimes.dead)
    share = min(1.0, seconds * 1e9 / time.total) if time.total else 0.0
    if deserted:
        sentence = _deserted(lifetimes, queued)
    elif lifetimes.died:
        sentence = _deaths(lifetimes)
    else:
        sentence = f"The pool is broken: {broken}."
    advice = (
        "Find the cause: too little memory (see the kernel's log), a crash in compiled code "
        "(run with -X faulthandler), a signal from another process, or, for a thread, an "
        "exception that its loop does not catch."
    )
    return (Finding(FindingCode.LOST_WORKER, seconds, share, sentence, advice),)


def _deserted(lifetimes: LifetimesReading, queued: int) -> str:
    """Say that all workers of a pool are gone beside queued tasks, and which one died first."""
    tasks = "1 task is" if queued == 1 else f"{queued} tasks are"
    sentence = (
        f"No worker is left, for {lifetimes.none_for_s:.0f} s, and {tasks} queued that nobody will "
        "run"
    )
    if not lifetimes.dead:
        return f"{sentence}: all of them have left the pool."
    return f"{sentence}. The first death: {_death(lifetimes.dead[0])}."


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
            f"{lifetimes.died} workers died at once, {_death(first)}. A pool that breaks "
            "ends all its workers itself, so it is not known which of them died first."
        )
    else:
        sentence = (
            f"{lifetimes.died} workers died; the first one was {_death(first)}, the last "
            f"one {_death(last)}."
        )
    return sentence


def _death(dead: DeadWorkerReading) -> str:
    who = f"worker {dead.worker}, a thread" if dead.is_thread else f"process {dead.pid}"
    if dead.exit_status is not None:
        how = f"{who} {_ending(dead.exit_status)}"
        return f"{how}{_where(dead)}" if dead.kind else f"{how}, in no task"
    return f"{who},{_where(dead) or ' in a task'}{_error(dead)}"


def _where(dead: DeadWorkerReading) -> str:
    return f" in {dead.kind}, {dead.run_s:.1f} s after that task began" if dead.kind else ""


def _error(dead: DeadWorkerReading) -> str:
    """Return which exceptions ended threads in tasks of that kind, "" where they are many."""
    return f", by {' or '.join(dead.errors)}" if 0 < len(dead.errors) <= MOST_ERRORS else ""


def _ending(status: int) -> str:
    """Return how a process ended."""
    if status >= 0:
        return f"ended with exit status {status}"
    try:
        name = f" ({Signals(-status).name})"
    except ValueError:
        name = ""
    return f"was killed by signal {-status}{name}"
