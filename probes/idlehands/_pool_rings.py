"""The rings of a pool and of its workers: the form of their rows, and their memory."""

from __future__ import annotations

from typing import Any

from ._packed_rows import CELL_BYTES, Spawns, TaskRing
from ._rings import Ring, Room
from ._worker import LEAST_ROWS_PER_WORKER

SPAWN_ROWS_PER_POOL = 1 << 14
OBJECTS_BYTES = 6000
"""What a pool or a worker takes beside its rows, about (tracemalloc, CPython 3.11)."""


class PoolRings:
    """All that one pool has recorded.

    Attributes: spawns, cancellations (the rings of no worker), probes (the workers' probes),
    is_packed (whether rows are packed as they are put), is_compact (whether the pool has closed
    and takes no more room than its rows do), is_read (whether every reader has read it to its end).
    """

    __slots__ = ("cancellations", "is_compact", "is_packed", "is_read", "probes", "spawns")

    def __init__(self) -> None:
        self.spawns = Spawns(Room.for_rows(SPAWN_ROWS_PER_POOL))
        self.cancellations = Ring(LEAST_ROWS_PER_WORKER)
        self.probes: list[Any] = []
        self.is_packed = False
        self.is_compact = False
        self.is_read = False

    def set_packed(self, is_packed: bool) -> None:
        """Put rows packed from now on, which costs a reader least, or as objects: see
        `_packed_rows`."""
        self.is_packed = is_packed
        self.spawns.set_packed(is_packed)
        for probe in self.probes:
            for _table, ring in probe.rings():
                if isinstance(ring, TaskRing):
                    ring.set_packed(is_packed)

    def compact(self) -> None:
        """Keep what is recorded in as little room as it takes: no thread records here any more.

        Only the publisher's thread calls this, and only when the pool has closed.
        """
        self.set_packed(False)
        for ring in self.all_rings():
            ring.compact()
        self.is_compact = True

    def forget(self) -> None:
        """Free the memory without waiting for the collector: no reader will read this any more.

        A pool, its workers and what an adapter has hooked all refer to each other.
        """
        for ring in self.all_rings():
            ring.forget()
        for probe in self.probes:
            if hasattr(probe, "pool"):
                probe.pool = None

    def memory_bytes(self) -> int:
        """Return about how many bytes all that it has recorded takes."""
        counts = 3 * sum(len(getattr(probe, "hits", ())) for probe in self.probes)
        objects = OBJECTS_BYTES * (1 + len(self.probes))
        rows = sum(int(ring.memory_bytes()) for ring in self.all_rings())
        return objects + CELL_BYTES * counts + rows

    def work_recorded(self) -> float:
        """Return how much work recording has done so far, in units of one task.

        An idle interval or a wait is two calls and one row, where a task is three calls: it counts
        as two thirds of a task. A contended operation is at most that.
        """
        tasks = sum(int(probe.tasks_run) for probe in self.probes)
        others = sum(
            int(probe.idle_intervals.written + probe.waits.written + probe.contention.written)
            for probe in self.probes
        )
        return tasks + others * 2 / 3

    def all_rings(self) -> list[Any]:
        """Return every ring of the pool and of its workers."""
        rings = [ring for probe in self.probes for _table, ring in probe.rings()]
        return [self.spawns, self.cancellations, *rings]
