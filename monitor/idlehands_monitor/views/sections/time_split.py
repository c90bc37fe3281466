"""Where the worker time went, of pools and of workers, recorded and external alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ...model.vocabulary import Category, CoreTimeSource
from ...model.worker_time import CATEGORIES, FIRST_IDLE
from ..foreign_text import bounded
from ..formatting import amount, category_name, exact_amount
from .facts import Bar, Column, Part, Section, Sentence, Slice, Table, Tone

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ...model.shares import SharesOfTime

TITLE = "Where the worker time went"
NAME_CELLS = 24
KERNEL = CoreTimeSource.KERNEL
IDLE = dict.fromkeys(CATEGORIES[FIRST_IDLE:], "idle")
IN_TASKS = dict.fromkeys((Category.WORKING, Category.BLOCKED, Category.RUN_QUEUE_WAIT), "in tasks")
CORE_TIME_NOTES = {
    CoreTimeSource.KERNEL: (
        "time on a core and run-queue wait come from the kernel's counters of each thread"
    ),
    CoreTimeSource.PROCESS: (
        "time on a core comes from each thread's CPU time; run-queue wait is not known here"
    ),
    CoreTimeSource.TASKS: (
        "time on a core is known only of the tasks whose CPU time was read; blocked includes "
        "run-queue wait"
    ),
    CoreTimeSource.ASSUMED: (
        "time on a core is not known: only recorded waits are separated from time in tasks"
    ),
}
EXTERNAL_NOTE = (
    "working and run-queue wait are exact, from the kernel's counters of each thread; parked is "
    "estimated from dumps of stacks, with its 95 % interval (Wilson, each dump counted once); "
    "blocked is the rest"
)


def time_split(time: SharesOfTime, core_time: CoreTimeSource, note: str) -> Section:
    """Return the time split of a pool, with what it was measured by."""
    parts = split_parts(time, core_time)
    return Section(TITLE, parts=(*parts, Sentence(note, Tone.NOTE)) if note else parts)


def split_parts(time: SharesOfTime, core_time: CoreTimeSource = KERNEL) -> tuple[Part, ...]:
    """Return all shares as one bar, and as a table with a row for each category."""
    slices = bar_of(time, core_time).slices
    rows = tuple(
        (
            category_name(share.category, core_time),
            f"{share.value * time.worker_seconds:.2f} s",
            exact_amount(share),
        )
        for share in time.shares
    )
    columns = (Column("category"), Column("time", to_right=True), Column("share", to_right=True))
    return Bar(slices), Table(columns, rows, tuple(Bar((one,)) for one in slices))


def bar_of(time: SharesOfTime, core_time: CoreTimeSource = KERNEL) -> Bar:
    """Return the picture of a time split."""
    return Bar(
        tuple(
            Slice(
                share.category,
                share.value,
                f"{category_name(share.category, core_time)} {amount(share)}",
            )
            for share in time.shares
        )
    )


@dataclass(frozen=True, slots=True)
class WorkerRow:
    """One worker's row: its name, its time split, and a cell for each further column."""

    index: int
    name: str
    time: SharesOfTime
    cells: tuple[str, ...]


def workers_section(
    rows: Iterable[WorkerRow],
    further: tuple[Column, ...],
    core_time: CoreTimeSource = KERNEL,
) -> Section:
    """Return one row a worker. Idle categories stand together, and so do those of time in tasks
    where nothing distinguishes them."""
    held = list(rows)
    names = IDLE | IN_TASKS if core_time == CoreTimeSource.ASSUMED else IDLE
    split = [_grouped(row.time, names) for row in held]
    heads = tuple(dict.fromkeys(head for cells in split for head in cells))
    columns = (
        Column("worker", to_right=True),
        Column("name", cells=NAME_CELLS),
        *(Column(head, to_right=True) for head in heads),
        *further,
    )
    cells = tuple(
        (str(row.index), bounded(row.name), *(shares.get(head, "–") for head in heads), *row.cells)
        for row, shares in zip(held, split, strict=True)
    )
    bars = tuple(bar_of(row.time, core_time) for row in held)
    return Section("Workers", parts=(Table(columns, cells, bars),))


def _grouped(time: SharesOfTime, names: dict[Category, str]) -> dict[str, str]:
    """Return the share of each category as text; categories with one name in `names` are summed."""
    sums: dict[str, float] = {}
    found: dict[str, str] = {}
    for share in time.shares:
        known = category_name(share.category)
        name = names.get(share.category, known) if isinstance(share.category, Category) else known
        sums[name] = sums.get(name, 0.0) + share.value
        found[name] = amount(share._replace(value=sums[name]))
    return found
