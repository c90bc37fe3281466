"""The common part of every sort of worker: its identity, and the kinds whose CPU time it reads."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Any, Protocol

from ._packed_rows import Spawns
from ._rings import Room, Token
from ._tables import NONE

TASK_ROWS_PER_POOL = 1 << 15
LEAST_ROWS_PER_WORKER = 1 << 8

CPU_READ_NS = 570
"""What one read of the thread CPU clock costs (measured). A task needs two."""
CPU_WORTH_NS = 2 * CPU_READ_NS * 200
"""A task of this length spends under 0.5 % of its time on the reading of its CPU time."""
CPU_STREAK = 4
"""The CPU time of a kind is read after so many long tasks in a row, among those weighed."""
LONGEST_NAME = 200
"""Characters of a kind's or a thread's name: all kinds together must fit in one frame."""
WEIGHED_ROWS = 16
"""About so many of the rows that are sent together are weighed."""


class RecordingPool(Protocol):
    """The part of a pool that its workers' probes use; the pool is in `_pool`."""

    workers: int
    kinds: dict[str, int]
    spawns: Spawns
    step: int

    def add_kind(self, kind: object) -> int:
        """Return the number of a new kind of task."""

    def spawned(self, kind: str, size: int = NONE) -> Token:
        """Record a task that comes from outside the pool."""

    def moved(self, token: Token) -> str:
        """Record that another pool took a task; return the task's kind."""

    def worker_bound(self) -> None:
        """Note that a worker has its thread now."""

    def misused(self, message: str) -> None:
        """Raise or count a call that cannot be."""

    def failed(self, error: Exception) -> None:
        """Switch the pool's record off."""


class WorkerSense:
    """What the publisher reads of every sort of worker, beside its rows.

    The slots are declared by the derived classes: a class can have only one base with slots.
    """

    cpu_kinds: set[int]
    ident: int
    index: int
    long_streak: dict[int, int]
    mark: int
    native_id: int
    pool: Any
    thread_name: str

    def __init__(self, index: int) -> None:
        self.index = index
        self.mark = NONE
        self.cpu_kinds = set()
        self.long_streak = {}
        self.ident = self.native_id = NONE
        self.thread_name = ""

    def weigh(self, rows: Sequence[Any]) -> None:
        """Choose the kinds of task whose CPU time is read, from rows of tasks just ended.

        The publisher calls this with the rows that it is about to send. So CPU times are read only
        while a reader is attached, and the worker does not do the sum.
        """
        if self.pool.step:
            return
        for row in rows[:: max(1, len(rows) // WEIGHED_ROWS)]:
            kind = row[0][2]
            if row[2] - row[1] < CPU_WORTH_NS:
                self.cpu_kinds.discard(kind)
                self.long_streak[kind] = 0
            elif kind not in self.cpu_kinds:
                self.long_streak[kind] = self.long_streak.get(kind, 0) + 1
                if self.long_streak[kind] >= CPU_STREAK:
                    self.cpu_kinds.add(kind)


def rows_per_worker(rows: int, workers: int) -> int:
    """Return how many of a pool's rows each worker's ring holds."""
    return max(LEAST_ROWS_PER_WORKER, Room.for_rows(rows) // workers)


def present_thread() -> threading.Thread | None:
    """Return the thread that calls this, None where `threading` does not know it.

    `threading.current_thread` would make an entry for it among the program's threads.
    """
    known: dict[int, threading.Thread] = getattr(threading, "_active", {})
    return known.get(threading.get_ident())


def name_of_thread() -> str:
    """Return the calling thread's name, at most `LONGEST_NAME` characters of it."""
    name = getattr(present_thread(), "_name", "")
    return name[:LONGEST_NAME] if type(name) is str else ""
