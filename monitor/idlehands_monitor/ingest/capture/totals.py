"""Totals a second of the rows of blocks, kept where the blocks themselves go. Pure.

A task, a wait and an idle interval count to each second by the time that they have in it; a task's
outcome counts to the second in which it ended.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import IDLE_STATES, NONE, OUTCOMES, SPAWNS, TABLES, TASKS, WAITS, encode

from ...model.arrays import Int64
from ..rows import TOTALS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from .groups import Group, Rows

SECOND_NS = 1_000_000_000
FIRST_SUM = 2
MOST_ROWS = 1 << 14
"""Of a pool with more seconds than that the older ones are joined, two and two."""
MOST_SECONDS = 1 << 12
"""Of a block; what is further from its end counts to the first of these seconds."""

Pool = tuple[int, int]
"""The process, -1 where unknown, and the number of the pool."""


class Totals:
    """The totals of the blocks of a file, block by block, and of those that are gone."""

    def __init__(self) -> None:
        self._of_blocks: list[dict[Pool, Int64]] = []
        self._gone: dict[Pool, Int64] = {}

    def note(self, groups: Mapping[Group, Rows]) -> None:
        """Note the rows of the next block."""
        self._of_blocks.append(_totals_of(groups))

    def drop(self, blocks: int) -> None:
        """Count the first so many blocks to those that are gone."""
        for found in self._of_blocks[:blocks]:
            for pool, rows in found.items():
                held = self._gone.get(pool)
                joined = rows if held is None else np.concatenate([held, rows], axis=1)
                self._gone[pool] = _summed(joined)
        self._of_blocks = self._of_blocks[blocks:]

    def keep_first(self) -> None:
        """Note that the first block is now the one of these totals."""
        self._of_blocks.insert(0, {})

    def frames(self) -> bytes:
        """Return the totals of the blocks that are gone, as frames."""
        found = bytearray()
        for (process, pool), rows in self._gone.items():
            if process != NONE:
                found += encode({"frame": "from", "pid": process})
            columns = {n: row.astype("<i8").tobytes() for n, row in zip(TOTALS, rows, strict=True)}
            found += encode({"frame": "totals", "pool": pool, "columns": columns})
        return bytes(found)


def _totals_of(groups: Mapping[Group, Rows]) -> dict[Pool, Int64]:
    found: dict[Pool, list[Int64]] = {}
    for (process, pool, name), held in groups.items():
        if name in (TASKS.name, WAITS.name, "gaps", SPAWNS.name):
            values = dict(zip(TABLES[name].names, np.concatenate(held.values, axis=1), strict=True))
            found.setdefault((process, pool), []).append(_of_table(name, values))
    return {pool: _summed(np.concatenate(parts, axis=1)) for pool, parts in found.items()}


def _of_table(name: str, values: dict[str, Int64]) -> Int64:
    """Return the totals of one table's rows, shape (columns, seconds)."""
    time = "spawned_ns" if name == SPAWNS.name else "ended_ns"
    ended = values[time]
    last = int(ended.max()) // SECOND_NS
    first = max(int(_beginnings(name, values).min()) // SECOND_NS, last - MOST_SECONDS)
    seconds = np.arange(first, last + 1, dtype=np.int64)
    rows = np.zeros((len(TOTALS), len(seconds)), dtype=np.int64)
    rows[0], rows[1] = seconds * SECOND_NS, SECOND_NS
    place = np.clip(ended // SECOND_NS - first, 0, len(seconds) - 1)
    if name == SPAWNS.name:
        rows[TOTALS.index("handed_in")] = np.bincount(place, minlength=len(seconds))
        return rows
    edges = np.append(rows[0], (last + 1) * SECOND_NS)
    for column, wanted in _intervals(name, values):
        began, end = _beginnings(name, values)[wanted], ended[wanted]
        rows[TOTALS.index(column)] = _time_in(began, end, edges)
    if name == TASKS.name:
        for number, outcome in enumerate(OUTCOMES):
            of_outcome = place[values["outcome"] == number]
            rows[TOTALS.index(outcome)] = np.bincount(of_outcome, minlength=len(seconds))
    return rows


def _beginnings(name: str, values: dict[str, Int64]) -> Int64:
    column = {TASKS.name: "started_ns", SPAWNS.name: "spawned_ns"}.get(name, "began_ns")
    return values[column]


def _intervals(name: str, values: dict[str, Int64]) -> Iterable[tuple[str, Int64 | slice]]:
    """Yield the column that rows count to, and which rows these are."""
    if name == TASKS.name:
        yield "tasks_ns", np.flatnonzero(values["started_ns"] >= 0)  # not those cancelled in time
    elif name == WAITS.name:
        yield "waits_ns", slice(None)
    else:
        for number, state in enumerate(IDLE_STATES):
            yield f"{state}_ns", np.flatnonzero(values["state"] == number)


def _time_in(began: Int64, ended: Int64, edges: Int64) -> Int64:
    """Return the time of intervals between each two edges, shape (edges - 1,).

    The time of all of them before an edge is the sum of (edge - began) over those that have begun
    by then, less that of (edge - ended) over those that have ended.
    """

    def past(moments: Int64) -> Int64:
        ordered = np.sort(moments) - edges[0]
        sums = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(ordered)])
        counts = np.searchsorted(ordered, edges - edges[0], side="left")
        found: Int64 = counts * (edges - edges[0]) - sums[counts]
        return found

    return np.diff(past(began) - past(ended))


def _summed(rows: Int64) -> Int64:
    """Return rows in the order of their seconds, those of one second added, not too many."""
    begins, place = np.unique(rows[0], return_inverse=True)
    found = np.zeros((len(TOTALS), len(begins)), dtype=np.int64)
    found[0] = begins
    np.maximum.at(found[1], place, rows[1])
    for column in range(FIRST_SUM, len(TOTALS)):
        np.add.at(found[column], place, rows[column])
    return _joined(found) if len(begins) > MOST_ROWS else found


def _joined(rows: Int64) -> Int64:
    """Return rows with the older half of them joined two and two."""
    half = rows.shape[1] // 4 * 2
    older, newer = rows[:, :half], rows[:, half:]
    joined = older[:, ::2] + older[:, 1::2]
    joined[0] = older[0, ::2]
    joined[1] = older[0, 1::2] + older[1, 1::2] - older[0, ::2]
    return np.concatenate([joined, newer], axis=1)
