"""Threads in dumps of stacks: which is a worker's, and in which task it was. Pure."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ...ledger.lifetimes import slots
from ...ledger.rows import kind_name, task_rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import Dump, PoolLedger, ThreadSample
    from ...ledger.lifetimes import Slot

MOST_DEEP = 64
"""Tasks of one worker at a time, each in a wait of the one around it; more are no valid rows."""
MOST_LIVES = 16
"""Lifetimes of workers with one kernel id; of more, the last ones are used."""


class InTask(NamedTuple):
    """A worker that was in a task in a dump.

    kind: of its task, the innermost where tasks are nested. lasted: whether it was in that task all
    the time while the stacks were read, so that its stack is surely of this task.
    """

    worker: int
    kind: str
    thread: ThreadSample
    lasted: bool


class Seen(NamedTuple):
    """A dump, the workers of one pool that were in a task in it, and the threads of its others.

    beside: threads that are no workers of the pool, of the process in which it was opened.
    """

    dump: Dump
    workers: tuple[InTask, ...]
    outside: tuple[ThreadSample, ...]
    beside: tuple[ThreadSample, ...]


def in_tasks(pool: PoolLedger, dumps: Sequence[Dump], end_ns: int) -> list[Seen]:
    """Return the workers of a pool that were in a task, for each dump.

    dumps: none is later than `end_ns`, the end of the pool's window.
    """
    if not dumps:
        return []
    tasks = _tasks_at(pool, [dump.at_ns for dump in dumps], end_ns)
    workers = _Workers(pool, dumps, end_ns)
    seen = []
    for place, dump in enumerate(dumps):
        found, outside, beside = [], [], []
        began_ns = dump.began_ns if dump.began_ns >= 0 else dump.at_ns
        for thread in dump.threads:
            worker = workers.of(dump, thread)
            task = tasks.get((place, worker))
            if task is not None:
                kind = kind_name(pool, task[1])
                found.append(InTask(worker, kind, thread, lasted=task[0] <= began_ns))
            elif worker >= 0:
                outside.append(thread)
            elif dump.pid == pool.pid:
                beside.append(thread)
        seen.append(Seen(dump, tuple(found), tuple(outside), tuple(beside)))
    return seen


class _Workers:
    """Which worker a thread was, by the kernel's id of the thread or by its identifier."""

    def __init__(self, pool: PoolLedger, dumps: Sequence[Dump], end_ns: int) -> None:
        begin_ns = min(dump.at_ns for dump in dumps)
        self._slots: dict[int, deque[Slot]] = {}
        for slot in slots(pool, begin_ns - 1, end_ns + 1):
            self._slots.setdefault(slot.native_id, deque(maxlen=MOST_LIVES)).append(slot)
        self._by_ident = {
            (thread.pid if thread.pid >= 0 else pool.pid, thread.ident): worker
            for worker, thread in pool.threads.items()
            if thread.ident >= 0
        }

    def of(self, dump: Dump, thread: ThreadSample) -> int:
        """Return the worker, -1 for a thread that is none of this pool."""
        if thread.native_id < 0:
            return self._by_ident.get((dump.pid, thread.ident), -1)
        for slot in self._slots.get(thread.native_id, ()):
            if slot.began_ns <= dump.at_ns <= slot.ended_ns:
                return slot.worker
        return -1


def _tasks_at(
    pool: PoolLedger, timestamps: Sequence[int], end_ns: int
) -> dict[tuple[int, int], tuple[int, int]]:
    """Return (begin, kind) of the innermost task by the place of a timestamp and by worker."""
    order = np.argsort(np.array(timestamps, dtype=np.int64), kind="stable")
    times = np.array(timestamps, dtype=np.int64)[order]
    rows = task_rows(pool, end_ns + 1, int(times[0]))
    first, last = (np.searchsorted(times, rows[name]) for name in ("began", "ended"))
    found: dict[tuple[int, int], tuple[int, int]] = {}
    if int(np.maximum(last - first, 0).sum()) > MOST_DEEP * len(times) * max(1, pool.workers):
        return found  # the rows contradict each other
    for row in np.flatnonzero(last > first).tolist():
        worker, task = int(rows["worker"][row]), (int(rows["began"][row]), int(rows["kind"][row]))
        for place in order[first[row] : last[row]].tolist():
            found[place, worker] = max(found.get((place, worker), task), task)
    return found
