"""The matrix of a pool: steals (thief by victim) or hand-overs (submitter by runner). The terminal,
text and HTML draw the same matrix, so they cannot differ.

A `Choice` sets what is counted, the unit, the order, and how many workers a row stands for; the
title says what was chosen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from .formatting import number_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..model.reading import PoolReading
    from ..model.stealing import StealReading

Counts = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]

OUTSIDE = range(-1, 0)
"""The row of tasks that came from outside the pool."""
COUNTED = {
    "hits": "steals",
    "attempts": "attempts",
    "empties": "attempts that found nothing",
    "lost_races": "lost races",
}
UNITS = ("count", "per second", "share of the row")
LEAST_GROUPED = 17
"""Fewer workers than this are never grouped: a small matrix scrolls a little instead."""
FEWEST_GROUPS = 8


@dataclass(frozen=True, slots=True)
class Choice:
    """Which figures of a matrix are shown. counted: a key of `COUNTED`; unit: one of `UNITS`."""

    counted: str = "hits"
    unit: str = "count"
    by_traffic: bool = False
    grouped: bool = True

    def next_counted(self) -> Choice:
        """Return the same of what is counted next."""
        return replace(self, counted=_after(tuple(COUNTED), self.counted))

    def next_unit(self) -> Choice:
        """Return the same in the next unit."""
        return replace(self, unit=_after(UNITS, self.unit))


def _after(options: tuple[str, ...], one: str) -> str:
    return options[(options.index(one) + 1) % len(options)]


AS_COUNTED = Choice()


@dataclass(frozen=True, eq=False)
class Grid:
    """A matrix with its title and the labels of its rows and columns.

    counts, values: rows by columns; values are the counts in the unit chosen, NaN where there is
    nothing to say: a worker with itself, the shares of a row without any. rows, columns: the
    workers that each stands for. title: what is shown, one fact after the other.
    """

    counts: Counts
    values: Values
    rows: tuple[range, ...]
    columns: tuple[range, ...]
    name: str
    title: tuple[str, ...]
    unit: str = "count"

    @cached_property
    def largest(self) -> float:
        """The largest value, 0 where there is none."""
        return float(np.nanmax(self.values, initial=0.0)) if self.values.size else 0.0

    @property
    def says_more_than_totals(self) -> bool:
        """Whether the matrix says more than its totals; hand-overs of one submitter do not."""
        filled = self.counts.any(axis=1) if self.counts.size else self.counts
        return bool(self.rows) and (self.rows[0] != OUTSIDE or int(np.count_nonzero(filled)) > 1)

    @property
    def is_grouped(self) -> bool:
        """Whether a row stands for more than one worker."""
        return any(len(group) > 1 for group in self.columns)


NOTHING = Grid(np.zeros((0, 0), dtype=np.int64), np.zeros((0, 0)), (), (), "", ())


def name_of(workers: range) -> str:
    """Return how a row or a column is called."""
    if workers == OUTSIDE:
        return "out"
    return f"{workers[0]}" if len(workers) == 1 else f"{workers[0]}–{workers[-1]}"


def place_of(worker: int, groups: Sequence[range]) -> int:
    """Return which of `groups` a worker is in, 0 where it is in none."""
    return next((place for place, group in enumerate(groups) if worker in group), 0)


def group_size(workers: int, most: int) -> int:
    """Return how many neighbouring workers to put in a group, for at most `most` groups.

    1 where they fit or are few. The smallest size that fits and divides their number, unless
    that makes less than half as many groups as fit: then the last group is a smaller one.
    """
    most = max(FEWEST_GROUPS, most)
    if workers < LEAST_GROUPED or workers <= most:
        return 1
    least = -(-workers // most)
    return next((size for size in range(least, 2 * least) if workers % size == 0), least)


def groups_of(workers: int, size: int) -> tuple[range, ...]:
    """Return the workers of each group of `size` neighbours; the last may have fewer."""
    return tuple(range(low, min(low + size, workers)) for low in range(0, workers, size))


def summed(matrix: Counts, rows: Sequence[range], columns: Sequence[range]) -> Counts:
    """Return the sums of a matrix over all groups of neighbouring rows and columns."""
    if not rows or not columns:
        return np.zeros((len(rows), len(columns)), dtype=np.int64)
    lead = rows[0][0]  # the row of tasks from outside is before worker 0's
    tall = np.add.reduceat(matrix, [group[0] - lead for group in rows], axis=0)
    return np.asarray(np.add.reduceat(tall, [group[0] for group in columns], axis=1))


def traffic_order(counts: Counts) -> list[int]:
    """Return the places of a square matrix's workers, those of most counts in row and column first.

    Workers of equal counts stay in their order.
    """
    traffic = counts.sum(axis=0) + counts.sum(axis=1)
    order: list[int] = np.argsort(-traffic, kind="stable").tolist()
    return order


def in_unit(counts: Counts, unit: str, seconds: float) -> Values:
    """Return counts of `seconds` as counts, per second, or as shares of their row.

    As shares, a row that adds up to 0 is NaN. Per second, all is NaN where no time has passed.
    """
    if unit == "count":
        return counts.astype(np.float64)
    divisor = counts.sum(axis=1, keepdims=True) if unit == UNITS[2] else np.full((1, 1), seconds)
    known = np.where(divisor > 0, divisor, np.nan)
    return np.asarray(counts / known, dtype=np.float64)


def grid_of(pool: PoolReading | None, choice: Choice = AS_COUNTED, most: int | None = None) -> Grid:
    """Return the matrix to show of a pool; `NOTHING` without a pool or before any task.

    most: how many rows and columns fit, None for as many as there are workers.
    """
    if pool is None:
        return NOTHING
    rows, columns = sides(pool, choice, most)
    if not columns:
        return NOTHING
    if pool.has_steals:
        matrix = _counted(pool.steals, choice.counted)
        name, what, axes = "Steals", COUNTED[choice.counted], "thief ↓ victim →"
    else:
        matrix = _array(pool.hand_overs.matrix)
        name, what, axes = "Hand-overs", "hand-overs", "submitter ↓ runner →"
    size = len(columns[0])
    counts = summed(matrix, rows, columns)
    if choice.by_traffic:
        lead = len(rows) - len(columns)
        order = traffic_order(counts[lead:])
        counts = counts[[*range(lead), *(lead + place for place in order)]][:, order]
        columns = tuple(columns[place] for place in order)
        rows = (*rows[:lead], *columns)
    values = in_unit(counts, choice.unit, pool.window_s)
    if pool.has_steals and size == 1:
        np.fill_diagonal(values, np.nan)
    unit = "" if choice.unit == UNITS[0] else f", {choice.unit}"
    title = [f"{what}{unit}", axes]
    if choice.by_traffic:
        title.append("most traffic first")
    if size > 1:
        title.append(_grouping(len(pool.workers), size))
    return Grid(counts, values, rows, columns, name, tuple(title), choice.unit)


def sides(
    pool: PoolReading, choice: Choice, most: int | None
) -> tuple[tuple[range, ...], tuple[range, ...]]:
    """Return the workers of each row and each column, by worker; none before any task."""
    workers = len(pool.workers)
    if not (pool.steals.counts.size if pool.has_steals else pool.hand_overs.matrix):
        return (), ()
    size = group_size(workers, most) if most is not None and choice.grouped else 1
    columns = groups_of(workers, size)
    return (columns if pool.has_steals else (OUTSIDE, *columns)), columns


def _counted(steals: StealReading, counted: str) -> Counts:
    if counted == "attempts":
        return steals.counts.sum(axis=0)  # type: ignore[no-any-return]
    part: Counts = steals.counts[("hits", "empties", "lost_races").index(counted)]
    return part


def _array(matrix: object) -> Counts:
    return np.asarray(matrix, dtype=np.int64)


def _grouping(workers: int, size: int) -> str:
    """Return how many workers a row stands for, as text."""
    first = ", ".join(name_of(group) for group in groups_of(workers, size)[:2])
    last = f", the last for {workers % size}" if workers % size else ""
    return f"each row and column stands for {size} workers, {first} …{last}"


def cell_sentence(pool: PoolReading, rows: range, columns: range, *, short: bool = False) -> str:
    """Return the exact counts of one cell as a sentence, whatever the choice shows."""
    one, other = name_of(rows), name_of(columns)
    if pool.has_steals:
        return steal_sentence(pool.steals, rows, columns, short=short)
    count = _sum(pool.hand_overs.matrix, range(rows[0] + 1, rows[-1] + 2), columns)
    who = "outside" if rows == OUTSIDE else f"{_worker(rows)} {one}"
    if short:
        return f"{'outside' if rows == OUTSIDE else one} → {other}: {count}"
    return f"{_worker(columns)} {other} ran {number_of(count, 'task')} handed in by {who}"


def _worker(group: range) -> str:
    return "worker" if len(group) == 1 else "workers"


def steal_sentence(
    steals: StealReading, thief: range, victim: range, *, short: bool = False
) -> str:
    """Return what workers took from others as a sentence with all four counts."""
    one, other = name_of(thief), name_of(victim)
    if thief == victim and len(thief) == 1:
        return f"{one} does not steal from itself"
    part = steals.counts[:, thief[0] : thief[-1] + 1, victim[0] : victim[-1] + 1]
    hits, empties, lost = part.sum(axis=(1, 2)).tolist()
    attempts = hits + empties + lost
    races = number_of(lost, "lost race")
    if short:
        return f"{one} ← {other}: {hits} of {attempts} attempts; {empties} empty, {races}"
    share = f" ({hits / attempts:.0%})" if attempts else ""
    thieves, victims = ("thief", "victim") if len(thief) == 1 else ("thieves", "victims")
    return (
        f"{thieves} {one} made {number_of(attempts, 'attempt')} at {victims} {other}: "
        f"{number_of(hits, 'hit')}{share}, {empties} found none, {lost} lost the race"
    )


def _sum(matrix: Sequence[Sequence[int]], rows: range, columns: range) -> int:
    low, high = columns[0], columns[-1] + 1
    return sum(int(sum(matrix[row][low:high])) for row in rows)
