"""What has arrived of each ring of a pool: how many rows it ever wrote, and where rows were lost.

Pure bookkeeping. A ring is one worker's rows of one table, in the order in which they were written.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from idlehands.wire import NONE


@dataclass(slots=True)
class Ring:
    """The state of one ring: rows written so far, time of the last row, begin of an open loss."""

    written: int = 0
    last_ns: int = NONE
    lost_since_ns: int | None = None


class Rings:
    """All rings of a pool, by table and worker."""

    def __init__(self) -> None:
        self._rings: dict[str, dict[int, Ring]] = {}
        self._written: Counter[str] = Counter()

    def ring(self, table: str, worker: int) -> Ring:
        """Return the ring of a worker, a new one where none of its rows has arrived."""
        rings = self._rings.setdefault(table, {})
        ring = rings.get(worker)
        if ring is None:
            ring = rings[worker] = Ring()
        return ring

    def written(self, table: str) -> int:
        """Return how many rows of a table all its rings have written."""
        return self._written[table]

    def note_written(self, table: str, ring: Ring, rows: int) -> None:
        """Note that a ring of a table has written `rows` rows in all."""
        self._written[table] += rows - ring.written
        ring.written = rows
