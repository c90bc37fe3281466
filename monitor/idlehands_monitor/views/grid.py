"""The matrix of a pool, whichever it has: steals, thief by victim, or hand-overs, submitter by
runner. One shape for the terminal, text and HTML, so that they cannot differ."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..analysis.readings import Matrix, PoolReading, StealReading

OUTSIDE = "out"
"""The row of tasks that came from outside the pool."""


@dataclass(frozen=True)
class Grid:
    """A matrix with its words. cells: counts, rows by columns; columns are workers.

    own_cells: whether a worker's cell with itself can hold anything.
    """

    cells: Matrix
    row_names: tuple[str, ...]
    name: str
    title: str
    short_title: str
    own_cells: bool

    @property
    def columns(self) -> int:
        """How many columns there are."""
        return len(self.cells[0]) if self.cells else 0

    @cached_property
    def largest(self) -> int:
        """The largest count; asked for with every cell that is drawn."""
        return max((max(row, default=0) for row in self.cells), default=0)

    def is_blank(self, row: int, column: int) -> bool:
        """Say whether a cell is one of a worker with itself that means nothing."""
        return not self.own_cells and row == column


NOTHING = Grid((), (), "", "", "", own_cells=True)


def grid_of(pool: PoolReading | None) -> Grid:
    """Return the matrix to show of a pool; `NOTHING` without a pool or before any task."""
    if pool is None:
        return NOTHING
    workers = tuple(str(index) for index in range(len(pool.workers)))
    if pool.has_steals:
        title = "steals, thief ↓ from victim →"
        short = "thief ↓ from victim →"
        return Grid(pool.steals.hits, workers, "Steals", title, short, own_cells=False)
    title = "hand-overs, submitter ↓ to runner →"
    rows = (OUTSIDE, *workers)
    return Grid(
        pool.hand_overs.matrix, rows, "Hand-overs", title, "submitter ↓ runner →", own_cells=True
    )


def cell_sentence(pool: PoolReading, row: int, column: int, *, short: bool = False) -> str:
    """Return the value of one cell as a sentence."""
    if pool.has_steals:
        return steal_sentence(pool.steals, row, column, short=short)
    count = pool.hand_overs.matrix[row][column]
    who = "outside" if row == 0 else f"worker {row - 1}"
    if short:
        return f"{who} → {column}: {count}"
    return f"worker {column} ran {count} tasks handed in by {who}"


def steal_sentence(steals: StealReading, thief: int, victim: int, *, short: bool = False) -> str:
    """Return what one worker took from another as a sentence."""
    if thief == victim:
        return f"{thief} does not steal from itself"
    hits = steals.hits[thief][victim]
    lost = steals.lost_races[thief][victim]
    looks = hits + steals.empties[thief][victim] + lost
    if short:
        return f"{thief} ← {victim}: {hits} of {looks} looks"
    share = f", {hits / looks:.0%}" if looks else ""
    races = f"; {lost} lost races" if lost else ""
    return f"thief {thief} took {hits} in {looks} looks at victim {victim}{share}{races}"
