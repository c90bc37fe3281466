"""What a pool needs beside its tasks, and how its workers take them: measured in the recorded run.

Pure. In a pool with one queue, the time from the end of one task to the begin of the worker's next
one is overhead where that task was queued by then; a task that came while its worker was idle
waited for the wake. A worker waits for cores between tasks as much as in them; this part is left
out. Pools with deques report their idle intervals: dispatch, steal attempts and
wakes have been measured for the reading, and broken promises say by which rules workers take tasks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import PARKED, SEARCHING

from ...ledger.rows import Recent
from ...model.vocabulary import PoolKind, PromiseCode, Verdict
from .rules import Overheads, Rules, Taking

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Int64
    from ...model.reading import PoolReading
    from ...model.stealing import StealReading
    from .recorded import Recorded

THREADS = {PoolKind.THREAD_POOL, PoolKind.QUEUE_AND_THREADS, PoolKind.THREADS, PoolKind.STEALING}
"""Pools whose workers share one interpreter."""
LEAST = 10
"""Fewer measured times than this are not used; common practice, no source."""
STRAY = 0.01
"""A victim with less of its thief's attempts was not tried on purpose: chosen."""
PARTLY = 0.5
"""Thieves that try more than this part of all workers are taken to try all, in an order: chosen."""
MOST_BEHIND = 0.5
"""So large a part of all tasks comes to idle workers one behind the other where the way to them is
what they wait for: chosen."""
NEARLY_ALL = 0.9
"""So large a part of all tasks comes while an earlier one is on its way, where the way is what they
wait for: chosen."""
HITCHES = 5
"""So many of the longest times, and at most one in `LEAST`, are taken to be as long as the next
one: single hitches of the machine."""


def shares_interpreter(pool: PoolReading) -> bool:
    """Whether the workers of a pool are threads of one interpreter."""
    return pool.kind in THREADS


def overheads(pool: PoolReading, held: Recorded) -> Overheads:
    """Return the overheads of a recorded run."""
    locked = shares_interpreter(pool)
    running = held.on_core_ns / max(1.0, held.on_core_ns + held.core_wait_ns)
    if pool.has_steals:
        attempts = max(1, pool.steals.attempts_total)
        wake = pool.parking.wake_to_work_s if pool.parking is not None else None
        return Overheads(
            dispatch_ns=running * pool.time.dispatch / max(1, pool.tasks.finished),
            attempt_ns=running * pool.time.searching / attempts,
            wake_ns=(wake or 0.0) * 1e9,
            dispatch_locked=locked,
        )
    between, woken = _between(held)
    overhead = _mean(between)
    on_core = min(overhead, pool.time.dispatch / max(1, pool.tasks.finished))
    feed_ns = 0.0 if locked else _feed(held)
    return Overheads(
        dispatch_ns=on_core * running,
        hand_over_ns=overhead - on_core,
        feed_ns=feed_ns,
        wake_ns=0.0 if feed_ns else max(0.0, _median(woken) - overhead),
        dispatch_locked=locked,
    )


def _between(held: Recorded) -> tuple[Int64, Int64]:
    """Return (times between two tasks of a worker while the later one was queued, times from
    hand-in to begin of tasks whose worker was idle when they came), in ns."""
    order = np.lexsort((held.started_ns, held.worker))
    worker, came = held.worker[order], held.came_ns[order]
    started, ended = held.started_ns[order], held.ended_ns[order]
    same = worker[1:] == worker[:-1]
    queued = same & (came[1:] <= ended[:-1]) & (started[1:] >= ended[:-1])
    idle = same & (came[1:] > ended[:-1])
    return (started[1:] - ended[:-1])[queued], (started - came)[1:][idle]


def _feed(held: Recorded) -> float:
    """Return how long tasks take on their way to the workers one after the other, 0 where they do
    not come to idle workers so.

    Where a task was handed in and the worker that runs it was idle when another worker began its
    task, both came one behind the other. So must most tasks, or the workers are what they wait for.
    """
    outside = held.outside
    order = outside[np.argsort(held.started_ns[outside], kind="stable")]
    came, started = held.came_ns[order], held.started_ns[order]
    free = _free_since(held.worker[order], held.ended_ns[order])
    apart = np.diff(started)
    behind = (came[1:] <= started[:-1]) & (free[1:] < started[:-1])
    if np.count_nonzero(behind) < max(LEAST, MOST_BEHIND * len(apart)):
        return 0.0
    return _mean(apart[behind])


def piped(came: Int64, started: Int64) -> bool:
    """Return whether nearly each task from outside came while an earlier one had not begun.

    Where processes are handed their tasks through a pipe, whoever hands in waits for it, or
    serialises: what a task takes on its way is then what keeps the next one from coming.
    """
    order = np.argsort(came, kind="stable")
    came, latest = came[order], np.maximum.accumulate(started[order])
    behind = int(np.count_nonzero(latest[:-1] > came[1:]))
    return len(came) >= LEAST and behind >= NEARLY_ALL * (len(came) - 1)


def _free_since(worker: Int64, ended: Int64) -> Int64:
    """Return since when the worker of each task had none, of tasks in the order of their begins."""
    last: dict[int, int] = {}
    since = []
    for who, end in zip(worker.tolist(), ended.tolist(), strict=True):
        since.append(last.get(who, 0))
        last[who] = end
    return np.array(since, dtype=np.int64)


def _mean(times: Int64) -> float:
    if len(times) < LEAST:
        return 0.0
    hitches = min(HITCHES, len(times) // LEAST)
    usual = np.partition(times, len(times) - 1 - hitches)[len(times) - 1 - hitches]
    return float(np.minimum(times, usual).mean())


def _median(times: Int64) -> float:
    return float(np.median(times)) if len(times) >= LEAST else 0.0


def rules(pool: PoolReading, ledger: PoolLedger) -> Rules:
    """Return by which rules the workers took tasks, as far as the record shows it."""
    if not pool.has_steals:
        return Rules(Taking.ARRIVAL)
    broken = {promise.code for promise in pool.promises if promise.verdict is Verdict.BROKEN}
    uneven = PromiseCode.VICTIMS_CHOSEN_EVENLY in broken
    gives_up = PromiseCode.PARKS_WHEN_EMPTY in broken
    return Rules(
        Taking.DEQUES,
        owners_newest=PromiseCode.OWNERS_TAKE_NEWEST not in broken,
        thieves_oldest=PromiseCode.THIEVES_TAKE_OLDEST not in broken,
        random_victims=not uneven,
        tried=_tried(pool.steals) if uneven else (),
        attempts=_attempts(ledger, pool.begin_ns) if gives_up else 0,
    )


def _tried(steals: StealReading) -> tuple[tuple[int, ...], ...]:
    """Return the victims that each thief tries, the most tried first; empty where that is most.

    A victim with less than `STRAY` of its thief's attempts is none.
    """
    attempts = steals.counts.sum(axis=0)
    rows = [
        tuple(
            int(victim)
            for victim in np.argsort(-row, kind="stable")
            if row[victim] > STRAY * sum(row)
        )
        for row in attempts
    ]
    reached = sum(len(row) for row in rows)
    return tuple(rows) if reached <= PARTLY * attempts.size else ()


def _attempts(pool: PoolLedger, begin_ns: int) -> int:
    """Return after how many attempts a worker usually parked, at least 1."""
    rows = Recent(pool.idle_intervals, begin_ns)
    order = np.lexsort((rows["began_ns"], rows["worker"]))
    state, worker, attempts = (rows[name][order] for name in ("state", "worker", "attempts"))
    parks = (state[:-1] == SEARCHING) & (state[1:] == PARKED) & (worker[1:] == worker[:-1])
    found = attempts[:-1][parks]
    return max(1, round(float(np.median(found)))) if len(found) else 1
