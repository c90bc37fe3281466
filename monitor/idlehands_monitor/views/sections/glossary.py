"""What each category of worker time means."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.vocabulary import Category, CoreTimeSource, ExternalCategory
from ...model.worker_time import CATEGORIES
from ..formatting import category_name
from .facts import Bar, Column, Section, Slice, Table

if TYPE_CHECKING:
    from ...model.reading import Reading
    from ...model.shares import AnyCategory

MEANINGS: dict[AnyCategory, str] = {
    Category.WORKING: "in a task, on a core",
    Category.BLOCKED: "in a task, off the core by its own doing: input and output, a lock, a join, "
    "the interpreter lock",
    Category.RUN_QUEUE_WAIT: "in a task, ready to run, and no core is free",
    Category.DISPATCH: "between two tasks: pushing, popping, bookkeeping, serialising",
    Category.SEARCHING: "looking for work in the deques of other workers",
    Category.WAKING: "parked, and the task that it runs next is already there",
    Category.STARVED: "parked while a task is queued for which no worker is being woken",
    Category.NO_WORK: "parked, and nothing is queued in its pool",
    ExternalCategory.PARKED: "waiting for a task, as its stack shows; whether one is queued is not "
    "known",
    ExternalCategory.OFF_CORE: "not on a core and not waiting for one; in a task or parked is not "
    "known",
}
IN_TASKS = "in a task; how much of it on a core is not known"


def glossary(reading: Reading) -> Section:
    """Return the categories that a reading can have, each with the swatch of its pictures."""
    shown: list[AnyCategory] = list(CATEGORIES) if reading.pools else []
    if reading.external:
        shown += [one for one in ExternalCategory if one not in shown]
    all_assumed = all(pool.core_time == CoreTimeSource.ASSUMED for pool in reading.pools)
    known = CoreTimeSource.ASSUMED if reading.pools and all_assumed else CoreTimeSource.KERNEL
    names = [category_name(category, known) for category in shown]
    rows = tuple((name, _meaning(one, known)) for name, one in zip(names, shown, strict=True))
    bars = tuple(
        Bar((Slice(category, 1.0, name),)) for category, name in zip(shown, names, strict=True)
    )
    columns = (Column("category"), Column("a worker is"))
    return Section("The categories of worker time", parts=(Table(columns, rows, bars),), level=2)


def _meaning(category: AnyCategory, core_time: CoreTimeSource) -> str:
    if category == Category.WORKING and core_time == CoreTimeSource.ASSUMED:
        return IN_TASKS
    return MEANINGS[category]
