"""From a pool's rings to frames: the rows that one reader has not got yet.

A `Cursor` belongs to one connection and remembers how far each ring was read. It only reads the
rings, and changes nothing for the pool's workers.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from itertools import compress
from operator import ne
from time import monotonic_ns
from typing import Any

from ._packed_rows import PackedRows
from ._pool import PoolProbe
from ._pool_frames import SPAWNED_BY, levels_frame, names_frame, open_intervals
from ._recorder import WorkerProbe
from ._tables import NONE, SPAWNS, STEAL_ATTEMPTS, TASKS, Table
from ._wire import Frame, encode, encode_columns
from ._worker import WEIGHED_ROWS

SPAWNED_NS = 3
"""The place in a token of the time at which the task was spawned."""
ROWS_PER_FRAME = 512
"""Rows of one frame. A worker may have to wait while so many rows are encoded: about a tenth of a
millisecond. The frame is small enough for the allocator and the caches (measured: a row costs a
third less than in frames of 2048)."""
PACKED_ROWS_PER_FRAME = 1024
"""The same for packed rows, of which a frame is only a copy."""
PAIRS_PER_FRAME = 4096
"""About so many pairs of workers go into one frame, 160 KB of it."""

Counts = tuple[list[int], list[int], list[int]]
"""A thief's steal attempts since the start by outcome (hits, empties, lost races) and victim."""


class Cursor:
    """How far one reader has read one pool, and how many rows it has been sent."""

    def __init__(self, pool: PoolProbe) -> None:
        self.pool = pool
        self._positions: dict[tuple[str, int], int] = {}
        self._attempts: dict[int, Counts] = {}
        self._flushed = 0
        self._revision = NONE
        self._reported_closed = False
        self.rows_sent = 0
        self.has_failed = False
        self.is_at_end = False

    def names(self) -> Iterator[bytes]:
        """Yield the names of the pool and its parts, if these have changed."""
        pool = self.pool
        pool.refresh()
        closed = pool.closed_ns >= 0
        if self._revision != pool.revision or closed != self._reported_closed:
            self._revision = pool.revision
            self._reported_closed = closed
            yield encode(names_frame(pool))

    def has_waiting(self, rows: int) -> bool:
        """Return whether about so many tasks or idle intervals are new since the last flush."""
        spawned = self._positions.get((SPAWNS.name, NONE), 0)
        return self.pool.spawns.holds(spawned + rows) or self._recorded() - self._flushed >= rows

    def _recorded(self) -> int:
        return sum(probe.tasks_run + probe.idle_intervals.written for probe in self.pool.probes[:])

    def frames(self) -> Iterator[bytes]:
        """Yield encoded frames until all rows up to one time are sent; the last frame is
        `levels`."""
        pool = self.pool
        was_closed = pool.closed_ns >= 0
        now = monotonic_ns()
        probes = pool.probes[:]  # workers that join from here on are for the next flush
        self._flushed = self._recorded()
        # Open intervals before rows: one that ends in between is sent twice, and never missed.
        open_now = [open_intervals(probe) for probe in probes]
        # Read now, sent last: a slow reader may hold up the rows in between for long.
        levels = encode(levels_frame(pool, now, open_now))
        spawned = pool.tasks_spawned()
        if spawned < 0:
            yield from self._rows(SPAWNS, [(NONE, pool.spawns)], now)
        else:  # most tasks leave no row there; the levels count them
            self._positions[SPAWNS.name, NONE] = spawned
        yield from self._rows(TASKS, [(NONE, pool.cancellations)], now)
        for table, rings in _by_table(probes):
            yield from self._rows(table, rings, now)
        yield from self._counters(probes)
        yield levels
        self.is_at_end = was_closed

    def _rows(self, table: Table, rings: Iterable[tuple[int, Any]], now: int) -> Iterator[bytes]:
        """Yield the new rows in rings of one table, as many rings in a frame as fit."""
        held = _Held()
        for worker, ring in rings:
            are_packed = getattr(ring, "packed", None) is not None
            most = PACKED_ROWS_PER_FRAME if are_packed else ROWS_PER_FRAME
            more = True
            while more:
                position = self._positions.get((table.name, worker), 0)
                first, rows = ring.read(position, most)
                self._positions[table.name, worker] = first + len(rows)
                # After a read that lost rows it is unknown whether more rows follow: read again.
                more = len(rows) == most or first > position
                # A loss is reported after the rows that were written before it.
                full = held.count + len(rows) > most
                if first > position or full or not held.takes(rows):
                    yield from self._send(table, held, now)
                    held = _Held()
                if first > position:
                    base = {"pool": self.pool.number, "table": table.name, "worker": worker}
                    yield encode({"frame": "lost", **base, "rows": first - position})
                if rows:
                    if table is TASKS and worker >= 0:
                        some = rows.some(WEIGHED_ROWS) if isinstance(rows, PackedRows) else rows
                        self.pool.probes[worker].weigh(some)
                    held.add(worker, first, rows, more=more)
        yield from self._send(table, held, now)

    def _send(self, table: Table, held: _Held, now: int) -> Iterator[bytes]:
        if not held.parts:
            return
        self.rows_sent += held.count
        yield encode(
            {
                "frame": "rows",
                "pool": self.pool.number,
                "table": table.name,
                "parts": held.parts,
                "rows": held.count,
                "complete_ns": now if held.is_complete else NONE,
                **_as_sent(self.pool, table, held.rows),
            }
        )

    def _counters(self, probes: Iterable[Any]) -> Iterator[bytes]:
        """Yield the steal attempts since the last flush, of the pairs of workers that had any."""
        pairs: list[tuple[int, ...]] = []
        for probe in probes:
            if isinstance(probe, WorkerProbe):
                pairs += self._new_attempts(probe)
            if len(pairs) >= PAIRS_PER_FRAME:
                yield self._pairs(pairs)
                pairs = []
        if pairs:
            yield self._pairs(pairs)

    def _new_attempts(self, probe: WorkerProbe) -> Iterator[tuple[int, ...]]:
        now = probe.hits[:], probe.empties[:], probe.lost_races[:]
        before = self._attempts.get(probe.index) or ([0] * len(now[0]),) * 3
        if now == before:
            return
        self._attempts[probe.index] = now
        victims: set[int] = set()
        for counts, counted in zip(now, before):
            if counts != counted:
                victims.update(compress(range(len(counts)), map(ne, counts, counted)))
        for victim in victims:
            added = [counts[victim] - counted[victim] for counts, counted in zip(now, before)]
            yield probe.index, victim, *added

    def _pairs(self, pairs: list[tuple[int, ...]]) -> bytes:
        columns = encode_columns(STEAL_ATTEMPTS, list(zip(*pairs)))
        return encode({"frame": "counters", "pool": self.pool.number, "columns": columns})


class _Held:
    """Rows of one table that are sent together; `parts` has [worker, first, rows] of each ring."""

    def __init__(self) -> None:
        self.parts: list[list[int]] = []
        self.rows: Any = []
        self.count = 0
        self.is_complete = True

    def takes(self, rows: Any) -> bool:
        """Return whether rows, if there are any, can be sent with those it holds."""
        return not self.count or not len(rows) or type(rows) is type(self.rows)

    def add(self, worker: int, first: int, rows: Any, *, more: bool) -> None:
        """Add a copy of the rows read from one ring; with `more`, the ring holds more rows."""
        self.parts.append([worker, first, len(rows)])
        self.is_complete = self.is_complete and not more
        self.count += len(rows)
        if self.count > len(rows):
            self.rows += rows
        else:
            self.rows = rows


def _by_table(probes: Iterable[Any]) -> list[tuple[Table, list[tuple[int, Any]]]]:
    """Return the rings of all workers by table, each with its worker's index."""
    found: dict[str, tuple[Table, list[tuple[int, Any]]]] = {}
    for probe in probes:
        for table, ring in probe.rings():
            found.setdefault(table.name, (table, []))[1].append((probe.index, ring))
    return list(found.values())


def _as_sent(pool: PoolProbe, table: Table, rows: Any) -> Frame:
    if isinstance(rows, PackedRows):
        if table is TASKS:
            pool.name_submitters(rows)
        return {"words": rows.data, "skip": rows.skip}
    if isinstance(rows, array):
        return {"columns": {SPAWNS.names[0]: rows.tobytes()}}
    return {"columns": _columns(pool, table, rows)}


def _columns(pool: PoolProbe, table: Table, rows: list[Any]) -> dict[str, bytes]:
    if table is SPAWNS:
        return encode_columns(table.names, [rows])
    by_column: list[Sequence[Any]] = list(zip(*rows))
    if table is TASKS:
        # A task's row begins with its token; the token's columns come first, then the others.
        by_column = [*zip(*by_column[0]), *by_column[1:]]
        timestamps, submitted_by = by_column[SPAWNED_NS], by_column[SPAWNED_BY]
        by_column[SPAWNED_BY] = pool.submitters(submitted_by, timestamps)
    return encode_columns(table.names, by_column)
