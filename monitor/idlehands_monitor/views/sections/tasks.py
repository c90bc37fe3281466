"""The tasks of a pool: how they ended, how long they waited, and their kinds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable, NamedTuple

from ...model.vocabulary import CoreTimeSource
from ..foreign_text import bounded
from ..formatting import count, maybe, number_of, seconds, share
from .facts import Column, Part, Section, Table, plain

if TYPE_CHECKING:
    from ...model.reading import PoolReading
    from ...model.tasks import KindReading, TaskReading

MOST_KINDS = 64
"""So many kinds are written out; the JSON has all."""
KIND_CELLS = 40


def tasks(pool: PoolReading) -> Section:
    """Return how many tasks ended in which way, and a row for each kind."""
    held = pool.tasks
    moved = f"{moved_phrase(held.moved)}, " if held.moved else ""
    lead = (
        f"{held.finished} finished ({held.per_s:.1f}/s{calls_phrase(held.finished, held.calls)}), "
        f"{failed_phrase(held, of_them=True)}, {moved}"
        f"{held.cancelled} cancelled, {held.lost} lost with their worker, "
        f"{held.queued} queued, {held.running} running; "
        f"median wait in the queue {maybe(held.median_queue_wait_s)}"
        f"{_at_p95(held.p95_queue_wait_s)}, median run {maybe(held.median_run_s)}"
        f"{_at_p95(held.p95_run_s)}"
    )
    parts: tuple[Part, ...] = ()
    if held.kinds:
        parts = (kinds_table(pool),)
    if len(held.kinds) > MOST_KINDS:
        parts += plain(f"and {number_of(len(held.kinds) - MOST_KINDS, 'more kind')}: see --json")
    return Section("Tasks", lead, parts)


def _at_p95(value: float | None) -> str:
    return "" if value is None else f" (95th percentile {seconds(value)})"


class KindColumn(NamedTuple):
    """A column of the table of kinds: its name, and what it says of one kind."""

    name: str
    text: Callable[[KindReading], str]


CALLS = KindColumn("calls", lambda kind: count(kind.calls))
MEDIAN = KindColumn("median", lambda kind: maybe(kind.median_s))
IN_TASKS = KindColumn("in tasks", lambda kind: seconds(in_tasks_s(kind)))
"""Stands for working and blocked where nothing distinguishes the two."""
WORKING = KindColumn("working", lambda kind: seconds(kind.working_s))
BLOCKED = KindColumn("blocked", lambda kind: seconds(kind.blocked_s))
RECORDED_WAITS = KindColumn("of it in recorded waits", BLOCKED.text)
RUN_QUEUE_WAIT = KindColumn("run-queue wait", lambda kind: seconds(kind.run_queue_wait_s))
OFF_CORE = KindColumn(
    "blocked or run-queue wait", lambda kind: seconds(kind.blocked_s + kind.run_queue_wait_s)
)
TIME_COLUMNS = {
    CoreTimeSource.KERNEL: (WORKING, BLOCKED, RUN_QUEUE_WAIT),
    CoreTimeSource.PROCESS: (WORKING, OFF_CORE),
    CoreTimeSource.TASKS: (WORKING, OFF_CORE),
    CoreTimeSource.ASSUMED: (IN_TASKS, RECORDED_WAITS),
}
"""The time split of a kind's tasks, only as far as its source distinguishes categories."""


def kinds_table(pool: PoolReading) -> Table:
    """Return a row for each kind: how its tasks ended, and their time split."""
    kinds = pool.tasks.kinds
    has_calls = any(kind.calls > kind.finished for kind in kinds)
    columns = (
        KindColumn("finished", lambda kind: str(kind.finished)),
        *((CALLS,) if has_calls else ()),
        KindColumn("failed", lambda kind: str(kind.failed)),
        MEDIAN,
        *TIME_COLUMNS[pool.core_time],
        *((KindColumn("stolen", lambda kind: str(kind.stolen)),) if pool.has_steals else ()),
    )
    heads = (Column(column.name, to_right=True) for column in columns)
    rows = tuple(
        (bounded(kind.kind), *(column.text(kind) for column in columns))
        for kind in kinds[:MOST_KINDS]
    )
    return Table((Column("kind", cells=KIND_CELLS), *heads), rows)


def in_tasks_s(kind: KindReading) -> float:
    """Return the worker time that tasks of a kind took, in seconds."""
    return kind.working_s + kind.blocked_s + kind.run_queue_wait_s


def calls_phrase(finished: int, calls: int) -> str:
    """Return how many calls some tasks held, empty where each was one."""
    return f", {count(calls)} calls" if calls > finished else ""


def failed_phrase(held: TaskReading, *, of_them: bool = False) -> str:
    """Return how many of the finished tasks failed, and which share of them: 752 failed (100 %)."""
    which = " of them" if of_them and held.failed else ""
    part = f" ({share(held.failed_share)})" if held.failed else ""
    return f"{count(held.failed)}{which} failed{part}"


def moved_phrase(moved: int) -> str:
    """Return how many tasks workers of other pools took."""
    return f"{count(moved)} taken by another pool"


def calls_per_task(pool: PoolReading) -> float | None:
    """Return the mean number of calls in a finished task, None where each task was one call."""
    ended = sum(kind.finished for kind in pool.tasks.kinds)
    return pool.tasks.calls / ended if ended and pool.tasks.calls != ended else None
