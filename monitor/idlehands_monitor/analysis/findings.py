"""Findings: from where the worker time went to one plain sentence and what to try.

A finding is silent below its minimum: less than `LEAST_WINDOW_S` recorded, or less than
`LEAST_SHARE` of the worker time. The costliest comes first; it is the headline.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from .readings import Finding

if TYPE_CHECKING:
    from collections.abc import Callable

    from .entries import WorkerTime
    from .readings import StayReading

LEAST_WINDOW_S = 1.0
LEAST_SHARE = 0.05


class _Cause(NamedTuple):
    code: str
    cost: Callable[[WorkerTime], int]
    sentence: str
    advice: str
    advice_one_queue: str = ""
    """Where the workers share one queue and what helps is something else."""


CAUSES = (
    _Cause(
        "starved-beside-work",
        lambda time: time.starved,
        "Workers were parked while tasks were queued and nobody woke them",
        "Wake a worker at every spawn, and park only after every deque and the inbox is empty.",
        "They were woken late: hand in fewer, larger tasks, and let what hands them in hold the "
        "interpreter lock less.",
    ),
    _Cause(
        "too-little-parallelism",
        lambda time: time.no_work,
        "Workers were parked because the whole pool had nothing queued",
        "Split the work further or sooner, submit the next batch before this one ends, "
        "or run fewer workers.",
    ),
    _Cause(
        "long-searches",
        lambda time: time.searching,
        "Workers were looking for tasks in other deques",
        "Make tasks larger or split from the top, so that one steal brings more work.",
    ),
    _Cause(
        "blocked-in-task",
        lambda time: time.blocked,
        "Workers were inside tasks but off the core: waiting for I/O, a lock or a join",
        "Open a worker to see where it waits; shorten the waiting, begin it earlier, or let other "
        "tasks run meanwhile.",
    ),
)


def findings(
    time: WorkerTime,
    workers: int,
    window_s: float,
    stays: StayReading | None = None,
    others: tuple[Finding, ...] = (),
) -> tuple[Finding, ...]:
    """Return the findings on `time` (over `workers` workers and `window_s` seconds).

    `stays` is there where the workers share one queue. A worker that died comes before all
    others: what follows it may be its doing. `others` are put in their place among these.
    """
    costs = _costs(time, workers, window_s, one_queue=stays is not None) + others
    by_cost = sorted(costs, key=lambda finding: -finding.worker_seconds)
    return (*_dead_workers(time, stays), *by_cost)


def _dead_workers(time: WorkerTime, stays: StayReading | None) -> tuple[Finding, ...]:
    if stays is None or not stays.died:
        return ()
    seconds = sum(dead.run_s for dead in stays.dead)
    last = stays.dead[-1]
    who = "A worker" if stays.died == 1 else f"{stays.died} workers"
    where = f" in {last.kind}, {last.run_s:.1f} s after it had begun" if last.kind else ""
    sentence = f"{who} died; the last one, process {last.pid},{where or ' in a task'}."
    advice = (
        "Look for what kills it: memory (the kernel's log), a crash in compiled code "
        "(run with -X faulthandler), or somebody's signal."
    )
    share = min(1.0, seconds * 1e9 / time.total) if time.total else 0.0
    return (Finding("lost-worker", seconds, share, sentence, advice),)


def _costs(
    time: WorkerTime, workers: int, window_s: float, *, one_queue: bool
) -> tuple[Finding, ...]:
    if window_s < LEAST_WINDOW_S or not time.total:
        return ()
    found = []
    for cause in CAUSES:
        cost = cause.cost(time)
        share = cost / time.total
        if share < LEAST_SHARE:
            continue
        seconds = cost / 1e9
        sentence = (
            f"{cause.sentence}: {seconds:.1f} worker-seconds, {share:.0%} of what "
            f"{workers} {'worker' if workers == 1 else 'workers'} had in {window_s:.0f} s."
        )
        advice = (cause.advice_one_queue if one_queue else "") or cause.advice
        found.append(Finding(cause.code, seconds, share, sentence, advice))
    return tuple(found)
