"""The matrix of a pool as facts: steals, thief by victim, or hand-overs, submitter by runner."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..grid import grid_of, name_of
from ..palette import BLANK, steps
from .facts import Matrix

if TYPE_CHECKING:
    from ...model.reading import PoolReading

ALL = "all"


def matrix(pool: PoolReading, most_groups: int) -> Matrix | None:
    """Return the counts with the totals of rows and columns, in at most `most_groups` groups of
    workers; None where they say no more than the totals."""
    grid = grid_of(pool, most=most_groups)
    if not grid.says_more_than_totals:
        return None
    title = "tasks, one row a submitter (out: outside the pool), one column a worker"
    if pool.has_steals:
        title = "tasks taken, thief by victim"
    if grid.is_grouped:
        title += f"; {grid.title[-1]}"
    given, taken = grid.counts.sum(axis=0).tolist(), grid.counts.sum(axis=1).tolist()
    texts = [
        ["·" if value != value else str(count) for count, value in zip(*both, strict=True)]
        for both in zip(grid.counts.tolist(), grid.values.tolist(), strict=True)
    ]
    rows = [(*row, str(total)) for row, total in zip(texts, taken, strict=True)]
    levels = [(*row, BLANK) for row in steps(grid.values, grid.largest).tolist()]
    return Matrix(
        title,
        (*map(name_of, grid.columns), ALL),
        (*map(name_of, grid.rows), ALL),
        (*rows, (*map(str, given), str(sum(taken)))),
        (*levels, (BLANK,) * (len(grid.columns) + 1)),
        "took from" if pool.has_steals else "handed to",
        f"{grid.largest:.0f}",
    )
