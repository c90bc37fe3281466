"""The kinds of task in a window as a table, with as many columns as there is room for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable, NamedTuple

from ...model.vocabulary import CoreTimeSource
from ..foreign_text import clean
from ..formatting import count, share, short_kind, without_main
from ..sections import tasks
from .drawing import fit
from .strips import Run, style

if TYPE_CHECKING:
    from ...model.reading import PoolReading
    from ...model.tasks import KindReading

LEAST_NAME, WIDE_NAME = 10, 12


class Column(NamedTuple):
    """A column: its head, its cells, and what it says of a kind."""

    head: str
    cells: int
    text: Callable[[KindReading], str]


ENDED = Column("ended", 7, lambda kind: count(kind.finished))
FAILED = Column("failed", 7, lambda kind: count(kind.failed) if kind.failed else "–")
MEDIAN = Column(tasks.MEDIAN.name, 9, tasks.MEDIAN.text)
WORKING = Column(tasks.WORKING.name, 11, tasks.WORKING.text)
IN_TASKS = Column(tasks.IN_TASKS.name, 10, tasks.IN_TASKS.text)
BLOCKED = Column(tasks.BLOCKED.name, 11, tasks.BLOCKED.text)
CALLS = Column(tasks.CALLS.name, 7, tasks.CALLS.text)
STOLEN = Column(
    "stolen", 8, lambda kind: share(kind.stolen / kind.finished) if kind.finished else "–"
)


def columns_of(pool: PoolReading, cells: int) -> list[Column]:
    """Return the columns of the kinds table that fit in `cells` cells, the most useful ones
    first."""
    failing = [FAILED] if pool.tasks.failed else []
    if pool.has_steals:
        wanted = [ENDED, *failing, MEDIAN, STOLEN]
    else:
        calls = [CALLS] if any(kind.calls != kind.finished for kind in pool.tasks.kinds) else []
        time = [IN_TASKS] if pool.core_time == CoreTimeSource.ASSUMED else [WORKING, BLOCKED]
        wanted = [*time, ENDED, *failing, MEDIAN, *calls]
    chosen: list[Column] = []
    name = max(LEAST_NAME, cells // 3)
    for column in wanted:
        if name + sum(one.cells for one in chosen) + column.cells <= cells:
            chosen.append(column)
    return chosen


def kind_rows(pool: PoolReading, cells: int, lines: int) -> list[list[Run]]:
    """Return the heads and a row for each kind, at most `lines`; the last says how many are left
    out."""
    kinds, columns = pool.tasks.kinds, columns_of(pool, cells)
    name = cells - sum(column.cells for column in columns)
    heads = "".join(f"{column.head:>{column.cells}}" for column in columns)
    rows: list[list[Run]] = [
        [(fit("kind of task" if name > WIDE_NAME else "kind", name) + heads, style(dim=True))]
    ]
    names = [without_main(clean(kind.kind)) for kind in kinds]
    shown = len(kinds) if len(kinds) < lines else max(0, lines - 2)
    for kind, full in zip(kinds[:shown], names, strict=False):
        short = fit(short_kind(full, name - 1, names), name)
        figures = "".join(f"{column.text(kind):>{column.cells}}" for column in columns)
        rows.append([(short + figures, None)])
    if shown < len(kinds):
        rows.append([(fit(f"and {len(kinds) - shown} more", cells), style(dim=True))])
    return rows[:lines]
