"""Lifetimes of workers, and what workers of a shared queue did between their tasks. Pure.

Workers of a shared queue report no idle intervals; these follow from their tasks. If the next task
was spawned after the last one had ended, the worker was parked between them, and its waking began
at that spawn. If the next task was already queued, the worker only fetched it, which is dispatch.
Before its first task and after its last one a worker was parked as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..model.arrays import Int64
from .rows import Rows, of_workers, open_ends, still_open, with_more

if TYPE_CHECKING:
    from .pool import PoolLedger


class Slot(NamedTuple):
    """A stretch of time in a window in which a thread was a certain worker."""

    worker: int
    native_id: int
    began_ns: int
    ended_ns: int


def lifetime_rows(pool: PoolLedger, end_ns: int) -> Rows:
    """Return the lifetimes of a pool's workers, open ones included, ordered by worker and begin."""
    store = pool.lifetimes
    workers, still = still_open(pool, store, "began_ns", ("lifetime",))
    present = [pool.threads[w].native_id if w in pool.threads else -1 for w in workers]
    rows = {
        "worker": with_more(store["worker"], workers),
        "began": with_more(store["began_ns"], [i.began_ns for i in still]),
        "ended": with_more(store["ended_ns"], open_ends(pool, end_ns, still)),
        "native_id": with_more(store["native_id"], present),
    }
    rows = of_workers(rows, pool.workers)
    order = np.lexsort((rows["began"], rows["worker"]))
    return {name: column[order] for name, column in rows.items()}


def slots(pool: PoolLedger, begin_ns: int, end_ns: int) -> list[Slot]:
    """Return which threads were the pool's workers in a window, and when each of them was."""
    if not pool.shared_queue:
        return [
            Slot(worker, thread.native_id, begin_ns, min(end_ns, pool.gone.get(worker, end_ns)))
            for worker, thread in pool.threads.items()
            if worker < pool.workers and pool.gone.get(worker, end_ns) > begin_ns
        ]
    rows = lifetime_rows(pool, end_ns)
    inside = (rows["ended"] > begin_ns) & (rows["began"] < end_ns)
    began, ended = np.maximum(rows["began"], begin_ns), np.minimum(rows["ended"], end_ns)
    columns = (rows["worker"], rows["native_id"], began, ended)
    return [
        Slot(*row) for row in zip(*(column[inside].tolist() for column in columns), strict=True)
    ]


def present_ns(pool: PoolLedger, begin_ns: int, end_ns: int) -> Int64:
    """Return how long each worker belonged to its pool in a window, in ns, shape (workers,)."""
    if not pool.shared_queue:
        present = np.full(pool.workers, end_ns - begin_ns, dtype=np.int64)
        for worker, gone_ns in pool.gone.items():
            if worker < pool.workers:
                present[worker] = max(0, min(end_ns, gone_ns) - begin_ns)
        return present
    present = np.zeros(pool.workers, dtype=np.int64)
    for slot in slots(pool, begin_ns, end_ns):
        present[slot.worker] += slot.ended_ns - slot.began_ns
    return present


def inside_lifetimes(tasks: Rows, lifetimes: Rows) -> Rows:
    """Return the tasks inside a lifetime, ordered, with the column ``lifetime``: its row number.

    A task without a known lifetime (whose row was lost) has no place in the worker time.
    """
    if not len(lifetimes["began"]) or not len(tasks["began"]):
        none = np.zeros(len(tasks["began"]), dtype=np.bool_)
        return {
            **{name: column[none] for name, column in tasks.items()},
            "lifetime": tasks["began"][none],
        }
    base = min(int(lifetimes["began"].min()), int(tasks["began"].min()))
    span = max(int(lifetimes["ended"].max()), int(tasks["ended"].max())) - base + 2
    key = tasks["worker"] * span + tasks["began"] - base
    place = (
        np.searchsorted(lifetimes["worker"] * span + lifetimes["began"] - base, key, side="right")
        - 1
    )
    known = place >= 0
    place = np.maximum(place, 0)
    known &= (lifetimes["worker"][place] == tasks["worker"]) & (
        tasks["began"] <= lifetimes["ended"][place]
    )
    order = np.argsort(key[known], kind="stable")
    if (np.diff(key[known][order]) == 0).any():  # of tasks that begin at once one took no time
        order = np.lexsort((tasks["ended"][known], key[known]))
    chosen = {name: column[known][order] for name, column in tasks.items()}
    chosen["lifetime"] = place[known][order]
    chosen["ended"] = np.minimum(chosen["ended"], lifetimes["ended"][chosen["lifetime"]])
    return chosen


def inferred_idle_intervals(tasks: Rows, lifetimes: Rows) -> Rows:
    """Return the parked stretches of workers, from `inside_lifetimes` and `lifetime_rows`.

    Columns as of recorded idle intervals: worker, began, ended, parked (1), waking_ns.
    """
    lifetime = tasks["lifetime"]
    first = np.ones(len(lifetime), dtype=np.bool_)
    first[1:] = lifetime[1:] != lifetime[:-1]
    before = np.empty(len(lifetime), dtype=np.int64)
    before[1:] = tasks["ended"][:-1]
    before[first] = lifetimes["began"][lifetime[first]]
    parked = (tasks["spawned_ns"] > before) & (tasks["began"] > before)
    last = lifetimes["began"].copy()
    np.maximum.at(last, lifetime, tasks["ended"])
    idle = last < lifetimes["ended"]
    wakes = np.clip(tasks["spawned_ns"], before, tasks["began"])
    rows = {
        "worker": np.concatenate([tasks["worker"][parked], lifetimes["worker"][idle]]),
        "began": np.concatenate([before[parked], last[idle]]),
        "ended": np.concatenate([tasks["began"][parked], lifetimes["ended"][idle]]),
        "waking_ns": np.concatenate([wakes[parked], lifetimes["ended"][idle]]),
    }
    rows["parked"] = np.ones(len(rows["worker"]), dtype=np.int64)
    return rows


__all__ = [
    "Slot",
    "inferred_idle_intervals",
    "inside_lifetimes",
    "lifetime_rows",
    "present_ns",
    "slots",
]
