"""Histories of a pool for tests: explicit ones, random valid ones, and a slow, obvious ledger.

A `History` is what a pool did, in whole nanoseconds. `ledger` turns it into frames as a probe sends
them, and these into a ledger; `slow_worker_time` walks through each nanosecond, and the vectorised
sweep is compared with it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from typing import Any

from idlehands.wire import (
    CONTENTION,
    IDLE_INTERVALS,
    INBOX,
    NONE,
    SPAWNS,
    TABLES,
    TASKS,
    WAITS,
    encode_columns,
)
from idlehands_monitor.ingest import checked_frames
from idlehands_monitor.ledger import Ledger, PoolLedger

NEVER = 1 << 57


@dataclass
class Task:
    """One task; `worker` is -1 and the times are NEVER for one that was never started."""

    number: int
    spawned: int
    worker: int = -1
    started: int = NEVER
    ended: int = NEVER
    cpu: int = NONE
    taken_from: int = INBOX
    outcome: int = 0
    parent: int = NONE
    spawned_by: int = NONE
    size: int = NONE


@dataclass
class History:
    """What a pool of `workers` did.

    waits: (worker, task, began, ended), and the joined task if there is one. idle_intervals:
    (worker, began, ended, parked, woken_ns).
    contended: (worker, at, owner, length, waited_ns).
    """

    workers: int
    end: int
    tasks: list[Task] = field(default_factory=list)
    waits: list[tuple[int, ...]] = field(default_factory=list)
    idle_intervals: list[tuple[int, int, int, bool, int]] = field(default_factory=list)
    contended: list[tuple[int, int, int, int, int]] = field(default_factory=list)


def frames(history: History, *, batch: int = 1000, seed: int | None = None) -> list[dict[str, Any]]:
    """Return the history as frames: names first, rows in batches (shuffled by rings), levels."""
    base = {"frame": "rows", "pool": 0, "complete_ns": history.end}
    rings: dict[tuple[str, int], list[tuple[int, ...]]] = {}
    for task in sorted(history.tasks, key=lambda task: task.ended):
        if task.worker >= 0 or task.outcome:  # a cancelled one has no worker
            row = (
                task.number,
                task.parent,
                0,
                task.spawned,
                task.spawned_by,
                task.size,
                task.started,
                task.ended,
                task.taken_from,
                task.cpu,
                task.outcome,
            )
            rings.setdefault((TASKS.name, task.worker), []).append(row)
    for worker, number, began, ended, *joined in sorted(history.waits, key=lambda wait: wait[3]):
        row = (number, began, ended, *(joined or [NONE]), 0)
        rings.setdefault((WAITS.name, worker), []).append(row)
    for worker, began, ended, parked, woken in sorted(
        history.idle_intervals, key=lambda idle_interval: idle_interval[2]
    ):
        rings.setdefault((IDLE_INTERVALS.name, worker), []).append(
            (began, ended, int(parked), 0, -1, woken)
        )
    for worker, *operation in sorted(history.contended, key=lambda operation: operation[1]):
        rings.setdefault((CONTENTION.name, worker), []).append(tuple(operation))
    rings[(SPAWNS.name, NONE)] = [
        (task.spawned,) for task in sorted(history.tasks, key=lambda t: t.spawned)
    ]
    order = list(rings)
    random.Random(seed).shuffle(order)
    found = [
        {
            **base,
            "table": table,
            "worker": worker,
            "first": first,
            "rows": len(part),
            "columns": encode_columns(TABLES[table].names, list(zip(*part, strict=True))),
        }
        for table, worker in order
        for first in range(0, len(rings[table, worker]), batch)
        if (part := rings[table, worker][first : first + batch])
    ]
    names = names_frame(history.workers, tells_meetings=bool(history.contended))
    return [names, *found, levels_frame(history)]


def names_frame(workers: int, kind: str = "work-stealing", **changes: Any) -> dict[str, Any]:
    """Return the names of a pool of so many workers, declared at 0."""
    return {
        "frame": "names",
        "pool": 0,
        "name": "scripted",
        "pool_kind": kind,
        "workers": workers,
        "declared_ns": 0,
        "closed_ns": -1,
        "task_kinds": ["task"],
        "threads": [
            [index, 100 + index, 1000 + index, f"worker-{index}"] for index in range(workers)
        ],
        **changes,
    }


def levels_frame(history: History, **changes: Any) -> dict[str, Any]:
    """Return the levels at the end of a history, nothing open."""
    return {
        "frame": "levels",
        "pool": 0,
        "at_ns": history.end,
        "inbox": 0,
        "deques": [0] * history.workers,
        "workers": [[] for _ in range(history.workers)],
        "misuses": 0,
        **changes,
    }


def ledger(history: History, **options: Any) -> Ledger:
    """Return a ledger that has taken in a history."""
    held = Ledger()
    take_in(held, *frames(history, **options))
    assert held.skipped_frames == 0
    return held


def take_in(held: Ledger | PoolLedger, *frames: dict[str, Any]) -> None:
    """Have a ledger take in frames of the wire, as a source would."""
    for frame in frames:
        for one in checked_frames(frame):
            held.apply(one)


def random_history(seed: int) -> History:
    """Return a random valid history: nested waits, helping, idle time, tasks that never start."""
    draw = random.Random(seed)
    workers, end = draw.randint(1, 4), draw.randint(50, 400)
    history = History(workers, end)
    for worker in range(workers):
        _fill(history, draw, worker, draw.randint(0, 20), end - draw.randint(0, 20), depth=0)
    for task in history.tasks:
        task.spawned = draw.randint(0, task.started)
    history.tasks += [Task(0, draw.randint(0, end)) for _ in range(draw.randint(0, 3))]
    around = [history.tasks[place] for _, place, _, _ in history.waits]
    # A probe numbers tasks in the order of their spawns.
    numbering = sorted(history.tasks, key=lambda task: task.spawned)
    for number, task in enumerate(numbering):
        task.number = number
    history.waits = [
        (worker, task.number, low, high)
        for (worker, _, low, high), task in zip(history.waits, around, strict=True)
    ]
    return history


def scaled(history: History, factor: int) -> History:
    """Return a history in which everything takes `factor` times as long."""

    def longer(timestamp: int) -> int:
        return timestamp * factor if 0 <= timestamp < NEVER else timestamp

    tasks = [
        replace(
            task,
            spawned=longer(task.spawned),
            started=longer(task.started),
            ended=longer(task.ended),
        )
        for task in history.tasks
    ]
    waits = [(worker, task, longer(low), longer(high)) for worker, task, low, high in history.waits]
    idle_intervals = [
        (worker, longer(low), longer(high), parked, longer(woken))
        for worker, low, high, parked, woken in history.idle_intervals
    ]
    return History(history.workers, history.end * factor, tasks, waits, idle_intervals)


def _fill(
    history: History, draw: random.Random, worker: int, low: int, high: int, depth: int
) -> None:
    """Fill [low, high] of a worker with tasks and idle time, and waits with more of the same."""
    now = low
    while now < high:
        now += draw.randint(0, 6)
        length = draw.randint(1, 60)
        ended = min(high, now + length)
        if now >= ended:
            return
        if draw.random() < 0.4:
            parked = draw.random() < 0.6
            woken = draw.choice([NONE, draw.randint(now, ended)]) if parked else NONE
            history.idle_intervals.append((worker, now, ended, parked, woken))
        else:
            task = Task(-1, 0, worker, now, ended)
            history.tasks.append(task)
            if ended - now > 6 and depth < 3 and draw.random() < 0.6:
                began = draw.randint(now + 1, ended - 3)
                until = draw.randint(began + 1, ended - 1)
                history.waits.append((worker, len(history.tasks) - 1, began, until))
                if draw.random() < 0.6 and until - began > 2:
                    _fill(history, draw, worker, began + 1, until - 1, depth + 1)
        now = ended + draw.randint(0, 4)


def slow_worker_time(history: History, begin: int, end: int) -> dict[str, int]:
    """Return the worker time of [begin, end] in nanoseconds, by looking at every nanosecond.

    In-task time that no wait covers counts as working: there are no host counters here.
    """
    names = (
        "working",
        "blocked",
        "run_queue_wait",
        "dispatch",
        "searching",
        "waking",
        "starved",
        "no_work",
    )
    total = dict.fromkeys(names, 0)
    for timestamp in range(begin, end):
        queued = sum(task.spawned <= timestamp < task.started for task in history.tasks)
        parked = waking = 0
        for worker in range(history.workers):
            state = _state(history, worker, timestamp)
            if state == "parked":
                parked += 1
                waking += _is_waking(history, worker, timestamp)
            else:
                total[state] += 1
        total["waking"] += waking
        total["starved"] += min(queued, parked) - waking
        total["no_work"] += parked - min(queued, parked)
    return total


def _state(history: History, worker: int, timestamp: int) -> str:
    inside: list[tuple[int, str]] = []
    for task in history.tasks:
        if task.worker == worker and task.started <= timestamp < task.ended:
            inside.append((task.started, "working"))
    for wait in history.waits:
        if wait[0] == worker and wait[2] <= timestamp < wait[3]:
            helps = any(
                wait[2] < began < wait[3]
                for began in [t.started for t in history.tasks if t.worker == worker]
                + [
                    idle_interval[1]
                    for idle_interval in history.idle_intervals
                    if idle_interval[0] == worker
                ]
            )
            inside.append((wait[2], "dispatch" if helps else "blocked"))
    for idle_interval in history.idle_intervals:
        if idle_interval[0] == worker and idle_interval[1] <= timestamp < idle_interval[2]:
            inside.append((idle_interval[1], "parked" if idle_interval[3] else "searching"))
    return max(inside)[1] if inside else "dispatch"


def _is_waking(history: History, worker: int, timestamp: int) -> bool:
    _, _, ended, _, woken = next(
        idle_interval
        for idle_interval in history.idle_intervals
        if idle_interval[0] == worker and idle_interval[1] <= timestamp < idle_interval[2]
    )
    following = min(
        (task for task in history.tasks if task.worker == worker and task.started >= ended),
        key=lambda task: task.started,
        default=None,
    )
    if following is None:
        return False
    parks = [
        idle_interval[1]
        for idle_interval in history.idle_intervals
        if idle_interval[0] == worker and idle_interval[3] and idle_interval[1] >= ended
    ]
    if parks and min(parks) < following.started:
        return False
    return timestamp >= max(following.spawned, woken)
