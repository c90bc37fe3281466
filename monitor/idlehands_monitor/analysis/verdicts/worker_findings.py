"""Findings on tasks that fail, hang or wait for each other: from a finished reading. Pure.

They come before every other finding, because what they say makes the other figures doubtful.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.findings import Finding
from ...model.vocabulary import FindingCode, WaitReason, WorkerState
from .slow_workers import slow_worker

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ...model.reading import PoolReading
    from ...model.tasks import KindReading, RaisedReading

LEAST_FAILED, LEAST_FAILED_SHARE = 5, 0.1
"""Fewer failed tasks than this, or a smaller share of all, may be part of the job's normal life."""
LEAST_HANGING_S = 3.0
"""A task that runs for less than this is not said to hang: a person would not wait for less."""
TIMES_MEDIAN, LEAST_OF_KIND = 50, 20
"""A task hangs if it runs for so many medians of its kind, of which at least so many ended."""
FOR_A_LOCK = 0.8
"""Tasks wait for each other where waits for a lock account for so large a part of the time since
the last of them began to wait."""
LEAST_NESTED, OWN_TASKS = 0.25, 0.2
"""Waits for tasks of the same pool are a finding from this share of the worker time on; waits for a
lock count as such where the pool's own workers hand in so large a part of its tasks."""
MOST_NAMED = 3
"""Kinds, and exceptions of each, that a sentence names."""
RETURN_INSTEAD = (
    "Do not wait in a task for a task of the same pool: return instead and let the caller combine "
    "the results, run other tasks while waiting, or give inner tasks a pool of their own"
)
IN_TASK = (WorkerState.WORKING, WorkerState.WAITING)


def with_worker_findings(pool: PoolReading) -> PoolReading:
    """Return a reading whose first findings are these, where there are any."""
    found = (
        *(_deadlock(pool) or _nested(pool)),
        *_stuck(pool),
        *_failing(pool),
        *slow_worker(pool),
    )
    return replace(pool, findings=(*found, *pool.findings)) if found else pool


def _share(pool: PoolReading, seconds: float) -> float:
    return min(1.0, seconds / max(1e-9, pool.time.worker_seconds))


def _deadlock(pool: PoolReading) -> tuple[Finding, ...]:
    """Every worker waits for a lock in a task, and tasks are queued that nobody will run."""
    workers = [worker for worker in pool.workers if worker.state is not WorkerState.LEFT]
    if not workers or pool.closed or pool.tasks.queued < 1 or pool.blocked is None:
        return ()
    since = min(worker.for_s for worker in workers)
    for_a_lock = pool.blocked.seconds(WaitReason.LOCK) + pool.blocked.join_s
    if (
        not all(worker.state in IN_TASK for worker in workers)
        or since < LEAST_HANGING_S
        or min(for_a_lock, pool.time.blocked / 1e9) < FOR_A_LOCK * since * len(workers)
    ):
        return ()
    seconds = since * len(workers)
    return (
        Finding(
            FindingCode.NESTED_WAIT,
            min(seconds, pool.time.worker_seconds),
            _share(pool, seconds),
            f"Deadlock: every worker waits inside a task for a lock or a result, for {since:.0f} "
            f"s, and {pool.tasks.queued} tasks are queued that no worker is free to run",
            RETURN_INSTEAD,
            where=", ".join(sorted({worker.doing for worker in workers})),
            no_gain="the pool stands still",
        ),
    )


def _nested(pool: PoolReading) -> tuple[Finding, ...]:
    """Tasks wait in their workers for tasks that the pool's own tasks have handed in."""
    handed_in = pool.hand_overs.matrix
    everything = sum(map(sum, handed_in))
    by_workers = everything - sum(handed_in[0]) if handed_in else 0
    idle_joins = pool.blocked.join_s if pool.blocked is not None else 0.0
    waited_s = idle_joins
    if pool.blocked is not None and by_workers >= OWN_TASKS * max(1, everything):
        waited_s += pool.blocked.seconds(WaitReason.LOCK)
    share = _share(pool, waited_s)
    if share < LEAST_NESTED or pool.tasks.finished < LEAST_OF_KIND:
        return ()
    kinds = max(pool.tasks.kinds, key=lambda kind: kind.blocked_s, default=None)
    waiting = pool.blocked.kind(WaitReason.LOCK) if pool.blocked is not None else ""
    return (
        Finding(
            FindingCode.NESTED_WAIT,
            waited_s,
            share,
            "Tasks wait in their workers for tasks of the same pool: "
            f"{100 * share:.0f} % of the worker time runs nothing",
            RETURN_INSTEAD,
            where=waiting or (kinds.kind if kinds is not None else ""),
            no_gain="what such a worker could run meanwhile is not simulated",
        ),
    )


def _stuck(pool: PoolReading) -> Iterator[Finding]:
    if pool.closed:
        return
    kinds = {kind.kind: kind for kind in pool.tasks.kinds}
    hanging = []
    for worker in pool.workers:
        kind = kinds.get(worker.doing)
        usual = kind.median_s if kind is not None and kind.finished >= LEAST_OF_KIND else None
        if worker.state in IN_TASK and usual is not None and _hangs(worker.for_s, usual):
            hanging.append((worker, usual))
    if not hanging:
        return
    worker, usual = max(hanging, key=lambda pair: pair[0].for_s)
    more = f", and {len(hanging) - 1} more" if len(hanging) > 1 else ""
    seconds = sum(one.for_s for one, _ in hanging)
    yield Finding(
        FindingCode.STUCK_WORKER,
        min(seconds, pool.time.worker_seconds),
        _share(pool, seconds),
        f"Worker {worker.index} has been in one task for {worker.for_s:.0f} s{more}; tasks of this "
        f"kind usually take {_time(usual)}",
        "See where it waits (Enter on the worker shows its stack), and give what it waits for a "
        "time limit",
        where=worker.doing,
        no_gain="the task has not ended",
    )


def _hangs(for_s: float, usual_s: float) -> bool:
    return for_s >= max(LEAST_HANGING_S, TIMES_MEDIAN * usual_s)


def _failing(pool: PoolReading) -> Iterator[Finding]:
    tasks = pool.tasks
    if tasks.failed < LEAST_FAILED or tasks.failed < LEAST_FAILED_SHARE * tasks.finished:
        return
    kinds = sorted((kind for kind in tasks.kinds if kind.failed), key=lambda kind: -kind.failed)
    which = _kinds_and_errors(kinds, tasks.raised)
    seconds = sum(kind.total_s * kind.failed / max(1, kind.finished) for kind in kinds)
    yield Finding(
        FindingCode.FAILING_TASKS,
        min(seconds, pool.time.worker_seconds),
        _share(pool, seconds),
        f"{tasks.failed} of {tasks.finished} tasks failed, "
        f"{100 * tasks.failed / max(1, tasks.finished):.0f} %{which}",
        "Read the exceptions: ask each future for its result, or log them in the task",
        where=kinds[0].kind if kinds else "",
        no_gain="tasks that fail are no useful work, and a faster pool would only fail sooner",
    )


def _kinds_and_errors(kinds: list[KindReading], raised: tuple[RaisedReading, ...]) -> str:
    """Return which kinds failed, and what their tasks raised: ": 30 of brew (KeyError 90 %)"."""
    parts = []
    for kind in kinds[:MOST_NAMED]:
        errors = [one for one in raised if one.kind == kind.kind and one.error]
        whole = sum(one.tasks for one in raised if one.kind == kind.kind)
        names = ", ".join(
            f"{one.error} {100 * one.tasks / whole:.0f} %" for one in errors[:MOST_NAMED]
        )
        parts.append(f"{kind.failed} of {kind.kind}{f' ({names})' if names else ''}")
    more = f", and {len(kinds) - MOST_NAMED} kinds more" if len(kinds) > MOST_NAMED else ""
    return f": {', '.join(parts)}{more}" if parts else ""


def _time(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds >= 1 else f"{seconds * 1e3:.2g} ms"
