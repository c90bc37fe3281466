"""The rows of a block, pool by pool, as few bytes. Pure: arrays in, bytes out, and back.

What a worker does leaves the same timestamp in several rows: an idle interval ends when the next
task starts, a search when the worker parks. So each timestamp of a worker in the block is stored
once, and the columns that hold it store its rank among the worker's timestamps.

For each pool with rows there follow, as `columns` says each:

* its timeline, where it has rows of tasks, waits or idle intervals: one column with the first of
  all timestamps, then how many timestamps each of their workers has, in the order of the workers;
  one column with the timestamps, all different and rising for each worker, as differences: the
  first of a worker to the first of all, each other to the one before it;
* for each table with rows, in the order of `STORED`, its rows in the order of the workers, and for
  each worker in the order of the frames: first the columns of its first tuple there, with ranks in
  the place of timestamps that are not negative; then those of the second, with the true values of
  the first as known columns; then those of the third, with all of these and `_reference` known.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from idlehands.wire import CONTENTION, IDLE_INTERVALS, SPAWNS, TABLES, TASKS, WAITS
from idlehands.wire import WORKER_LIFETIMES as LIFETIMES

from ...model.arrays import Int64
from .columns import Damaged, pack_columns, unpack_columns

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

Group = tuple[int, int, str]
"""The process that frames are from (-1 unknown), the number of the pool, the table."""
Part = tuple[int, int, int]
"""As in a frame of rows: the worker, the running number of the first row, how many rows."""


class Stored(NamedTuple):
    """The columns of a table in the order in which they are stored."""

    ranked: tuple[str, ...] = ()
    plain: tuple[str, ...] = ()
    last: tuple[str, ...] = ()


STORED = {
    SPAWNS.name: Stored(plain=SPAWNS.names),
    TASKS.name: Stored(
        ("ended_ns", "started_ns"),
        ("cpu_ns", "task", "parent", "kind", "spawned_by", "size", "taken_from", "outcome"),
        ("spawned_ns",),
    ),
    WAITS.name: Stored(("ended_ns", "began_ns"), (), ("task", "on_task", "helped")),
    IDLE_INTERVALS.name: Stored(
        ("ended_ns", "began_ns"), ("state", "attempts", "woken_by", "woken_ns")
    ),
    LIFETIMES.name: Stored(plain=LIFETIMES.names),
    CONTENTION.name: Stored(plain=CONTENTION.names),
}


@dataclass(slots=True)
class Rows:
    """The rows of a group, frame by frame: the parts, and the values by column in wire order."""

    parts: list[Part] = field(default_factory=list)
    values: list[Int64] = field(default_factory=list)

    def places(self) -> Int64:
        """Return the places of the rows in the order in which they are stored, shape (rows,)."""
        found: Int64 = np.argsort(_each(self.parts, 0), kind="stable")
        return found

    def sorted(self) -> _Sorted:
        """Return what is known of the rows from their parts, in the order of storing."""
        places = self.places()
        return _Sorted(_each(self.parts, 0)[places], _numbers(self.parts)[places])


@dataclass(slots=True)
class _Sorted:
    """Rows in the order of storing: worker and number of each, and the columns known so far."""

    workers: Int64
    numbers: Int64
    columns: dict[str, Int64] = field(default_factory=dict)


def _each(parts: Sequence[Part], place: int) -> Int64:
    values = np.array(parts, dtype=np.int64).reshape(-1, 3)
    found: Int64 = np.repeat(values[:, place], values[:, 2])
    return found


def _numbers(parts: Sequence[Part]) -> Int64:
    """Return the running number of each row."""
    counts = np.array(parts, dtype=np.int64).reshape(-1, 3)[:, 2]
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    found: Int64 = _each(parts, 1) + within
    return found


def by_pool(groups: Iterable[Group]) -> dict[tuple[int, int], list[str]]:
    """Return the tables with rows of each pool, in the order of storing."""
    found: dict[tuple[int, int], set[str]] = {}
    for process, pool, table in groups:
        found.setdefault((process, pool), set()).add(table)
    return {pool: [name for name in STORED if name in tables] for pool, tables in found.items()}


def pack_groups(groups: Mapping[Group, Rows]) -> bytes:
    """Return the rows of all groups."""
    parts: list[bytes] = []
    for pool, tables in by_pool(groups).items():
        held: dict[str, _Sorted] = {}
        for table in tables:
            rows = groups[(*pool, table)]
            held[table] = rows.sorted()
            values = np.concatenate(rows.values, axis=1)[:, rows.places()]
            held[table].columns = dict(zip(TABLES[table].names, values, strict=True))
        line = _Timeline.of(held)
        parts.append(line.packed())
        for table, rows_of_table in held.items():
            parts.append(_pack_table(table, rows_of_table, line, held))
    return b"".join(parts)


def _pack_table(table: str, rows: _Sorted, line: _Timeline, held: Mapping[str, _Sorted]) -> bytes:
    stored, columns = STORED[table], rows.columns
    ranks = [line.ranks(rows.workers, columns[name]) for name in stored.ranked]
    known = [columns[name] for name in stored.ranked]
    plain = [columns[name] for name in stored.plain]
    packed = pack_columns(_stacked(ranks, rows))
    packed += pack_columns(_stacked(known + plain, rows), len(known))
    if stored.last:
        known = [*known, *plain, _reference(table, rows, held)]
        last = [columns[name] for name in stored.last]
        packed += pack_columns(_stacked(known + last, rows), len(known))
    return packed


def unpack_groups(data: memoryview, parts: Mapping[Group, Rows]) -> dict[Group, Int64]:
    """Return the values of each group, shape (columns, rows), in the order of the frames.

    parts: the groups, without values. Raises Damaged.
    """
    found: dict[Group, Int64] = {}
    position = 0
    for pool, tables in by_pool(parts).items():
        held = {table: parts[(*pool, table)].sorted() for table in tables}
        line, length = _Timeline.unpacked(data[position:], held)
        position += length
        for table, rows in held.items():
            position += _unpack_table(table, rows, data[position:], line, held)
            names = TABLES[table].names
            values = np.empty((len(names), len(rows.workers)), dtype=np.int64)
            values[:, parts[(*pool, table)].places()] = [rows.columns[name] for name in names]
            found[(*pool, table)] = values
    return found


def _unpack_table(
    table: str, rows: _Sorted, data: memoryview, line: _Timeline, held: Mapping[str, _Sorted]
) -> int:
    """Fill in the columns of a table; return how many bytes they took. Raises Damaged."""
    stored = STORED[table]
    ranks, position = unpack_columns(data, _stacked([], rows), len(stored.ranked))
    known = [line.times(rows.workers, column) for column in ranks]
    values, length = unpack_columns(data[position:], _stacked(known, rows), len(stored.plain))
    position += length
    rows.columns = dict(zip((*stored.ranked, *stored.plain), values, strict=True))
    if stored.last:
        known = [*values, _reference(table, rows, held)]
        last, length = unpack_columns(data[position:], _stacked(known, rows), len(stored.last))
        position += length
        rows.columns |= dict(zip(stored.last, last[len(known) :], strict=True))
    return position


def _stacked(columns: Sequence[Int64], rows: _Sorted) -> Int64:
    return np.array(columns, dtype=np.int64).reshape(len(columns), len(rows.workers))


def _reference(table: str, rows: _Sorted, held: Mapping[str, _Sorted]) -> Int64:
    """Return what the last columns of a table are likely to be.

    Of tasks: when they were handed in by the row of their number in the table of hand-ins, else
    when they started. Of waits: the task of their worker whose row is the first to end at or behind
    them, -1 where there is none.
    """
    if table == TASKS.name:
        return _handed_in(rows, held.get(SPAWNS.name))
    tasks = held.get(TASKS.name)
    found = np.full(len(rows.workers), -1, dtype=np.int64)
    if tasks is not None:
        for worker, some in _runs(rows.workers):
            of_worker = slice(*np.searchsorted(tasks.workers, [worker, worker + 1]))
            ended, numbers = tasks.columns["ended_ns"][of_worker], tasks.columns["task"][of_worker]
            place = np.searchsorted(ended, rows.columns["ended_ns"][some])
            found[some] = np.append(numbers, -1)[place]
    return found


def _handed_in(tasks: _Sorted, spawns: _Sorted | None) -> Int64:
    found = tasks.columns["started_ns"].copy()
    if spawns is not None:
        order = np.argsort(spawns.numbers, kind="stable")
        numbers = spawns.numbers[order]
        place = np.minimum(np.searchsorted(numbers, tasks.columns["task"]), len(numbers) - 1)
        has_row = numbers[place] == tasks.columns["task"]
        found[has_row] = spawns.columns[SPAWNS.names[0]][order][place[has_row]]
    return found


def _runs(workers: Int64) -> list[tuple[int, slice]]:
    """Return each worker with the places of its rows, which lie together."""
    changes = np.flatnonzero(workers[1:] != workers[:-1]) + 1
    starts = [0, *changes.tolist()]
    ends = [*starts[1:], len(workers)]
    return [
        (int(workers[begin]), slice(begin, end)) for begin, end in zip(starts, ends, strict=True)
    ]


def _rising(values: Int64) -> Int64:
    """Return those values that are not negative, sorted, each once."""
    ordered = np.sort(values, kind="stable")  # quick where some of it is sorted already
    ordered = ordered[np.searchsorted(ordered, 0) :]
    found: Int64 = ordered[np.append(True, ordered[1:] != ordered[:-1])[: len(ordered)]]
    return found


class _Timeline:
    """The timestamps of each worker of a pool, rising, each once."""

    def __init__(self, times: dict[int, Int64]) -> None:
        self._times = times

    @classmethod
    def of(cls, held: Mapping[str, _Sorted]) -> _Timeline:
        """Return the timeline of the rows of a pool."""
        found: dict[int, list[Int64]] = {}
        for table, rows in held.items():
            for worker, some in _runs(rows.workers) if STORED[table].ranked else ():
                columns = [rows.columns[name][some] for name in STORED[table].ranked]
                found.setdefault(worker, []).extend(columns)
        return cls({worker: _rising(np.concatenate(found[worker])) for worker in sorted(found)})

    def packed(self) -> bytes:
        """Return the counts and the differences."""
        if not self._times:
            return b""
        first = min((int(times[0]) for times in self._times.values() if len(times)), default=0)
        counts = [len(times) for times in self._times.values()]
        head = np.array([[first, *counts]], dtype=np.int64)
        off = [np.diff(times, prepend=np.int64(first)) for times in self._times.values()]
        return pack_columns(head) + pack_columns(np.concatenate(off)[None])

    @classmethod
    def unpacked(cls, data: memoryview, held: Mapping[str, _Sorted]) -> tuple[_Timeline, int]:
        """Return the timeline of a pool, and how many bytes it took. Raises Damaged."""
        ranked = [rows.workers for table, rows in held.items() if STORED[table].ranked]
        if not ranked:
            return cls({}), 0
        workers = np.unique(np.concatenate(ranked))
        nothing = np.zeros((0, 1 + len(workers)), dtype=np.int64)
        (head,), length = unpack_columns(data, nothing, 1)
        first, counts = head[0], head[1:]
        most = 2 * sum(map(len, ranked))  # each row has two timestamps
        if (counts < 0).any() or (counts > most).any() or counts.sum() > most:
            raise Damaged("more timestamps than rows have")
        nothing = np.zeros((0, int(counts.sum())), dtype=np.int64)
        (off,), more = unpack_columns(data[length:], nothing, 1)
        times, end = dict[int, Int64](), 0
        for worker, count in zip(workers.tolist(), counts.tolist(), strict=True):
            times[worker] = np.cumsum(off[end : end + count]) + first
            end += count
        return cls(times), length + more

    def ranks(self, workers: Int64, column: Int64) -> Int64:
        """Return a column with the rank of each timestamp in its place; -1 and below stay."""
        found = column.copy()
        for worker, some in _runs(workers):
            found[some] = np.searchsorted(self._times[worker], column[some])
        found[column < 0] = column[column < 0]
        return found

    def times(self, workers: Int64, ranks: Int64) -> Int64:
        """Return what `ranks` had of a column. Raises Damaged."""
        found = ranks.copy()
        for worker, some in _runs(workers):
            times, of_worker = self._times[worker], ranks[some]
            if of_worker.max() >= len(times):
                raise Damaged("a rank of no timestamp")
            if len(times):
                found[some] = np.where(of_worker < 0, of_worker, times[np.maximum(of_worker, 0)])
        return found
