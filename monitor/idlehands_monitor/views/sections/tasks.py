"""The tasks of a pool: how they ended, how long they waited, and their kinds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.vocabulary import CoreTimeSource
from ..formatting import bounded, count, maybe, number_of, seconds, share
from .facts import Column, Part, Section, Table, plain

if TYPE_CHECKING:
    from collections.abc import Callable

    from ...model.reading import PoolReading
    from ...model.tasks import KindReading, TaskReading

MOST_KINDS = 64
"""Kinds written out; of more, all are in the JSON."""
KIND_CELLS = 40


def tasks(pool: PoolReading) -> Section:
    """Return how many tasks ended in which way, and a row for each kind."""
    held = pool.tasks
    moved = f"{moved_words(held.moved)}, " if held.moved else ""
    lead = (
        f"{held.finished} finished{calls_words(held.finished, held.calls)} "
        f"({held.per_s:.1f}/s), {failed_words(held)}, {moved}"
        f"{held.cancelled} cancelled, {held.lost} lost with their worker, "
        f"{held.queued} queued, {held.running} running; "
        f"median wait in the queue {maybe(held.median_queue_wait_s)}"
    )
    parts: tuple[Part, ...] = ()
    if held.kinds:
        parts = (kinds_table(pool),)
    if len(held.kinds) > MOST_KINDS:
        parts += plain(f"and {number_of(len(held.kinds) - MOST_KINDS, 'more kind')}: see --json")
    return Section("Tasks", lead, parts)


def kinds_table(pool: PoolReading) -> Table:
    """Return a row for each kind: how its tasks ended, and where their time went as far apart as
    that is known."""
    kinds = pool.tasks.kinds
    columns: list[tuple[str, Callable[[KindReading], str]]] = [
        ("finished", lambda kind: str(kind.finished))
    ]
    if any(kind.calls > kind.finished for kind in kinds):
        columns.append(("calls", lambda kind: count(kind.calls)))
    columns.append(("failed", lambda kind: str(kind.failed)))
    columns.append(("median", lambda kind: maybe(kind.median_s)))
    columns += _time_columns(pool.core_time)
    if pool.has_steals:
        columns.append(("stolen", lambda kind: str(kind.stolen)))
    heads = tuple(Column(name, to_right=True) for name, _ in columns)
    rows = tuple(
        (bounded(kind.kind), *(text(kind) for _, text in columns)) for kind in kinds[:MOST_KINDS]
    )
    return Table((Column("kind", cells=KIND_CELLS), *heads), rows)


def _time_columns(core_time: CoreTimeSource) -> list[tuple[str, Callable[[KindReading], str]]]:
    if core_time == CoreTimeSource.ASSUMED:
        return [
            ("in tasks", lambda kind: seconds(in_tasks_s(kind))),
            ("of it in recorded waits", lambda kind: seconds(kind.blocked_s)),
        ]
    if core_time == CoreTimeSource.KERNEL:
        return [
            ("working", lambda kind: seconds(kind.working_s)),
            ("blocked", lambda kind: seconds(kind.blocked_s)),
            ("run-queue wait", lambda kind: seconds(kind.run_queue_wait_s)),
        ]
    return [
        ("working", lambda kind: seconds(kind.working_s)),
        (
            "blocked or run-queue wait",
            lambda kind: seconds(kind.blocked_s + kind.run_queue_wait_s),
        ),
    ]


def in_tasks_s(kind: KindReading) -> float:
    """Return the worker time that tasks of a kind took, in seconds."""
    return kind.working_s + kind.blocked_s + kind.run_queue_wait_s


def calls_words(finished: int, calls: int) -> str:
    """Return how many calls some tasks held, empty where each was one."""
    return f" ({count(calls)} calls)" if calls > finished else ""


def failed_words(held: TaskReading) -> str:
    """Return how many of the finished tasks failed, and which share of them: 752 failed (100 %)."""
    part = f" ({share(held.failed_share)})" if held.failed else ""
    return f"{count(held.failed)} failed{part}"


def moved_words(moved: int) -> str:
    """Return how many tasks workers of other pools took."""
    return f"{count(moved)} taken by another pool"


def calls_per_task(pool: PoolReading) -> float | None:
    """Return the mean number of calls that the finished tasks were, None where each was one."""
    ended = sum(kind.finished for kind in pool.tasks.kinds)
    return pool.tasks.calls / ended if ended and pool.tasks.calls != ended else None
