"""The tables of an export, each declared once: names, types, units and meanings. Pure.

The writers, `load` and the data dictionary (in an export and in docs/exporting.md) take them from
here, from `recorded_columns` and from `sample_columns`.
"""

from __future__ import annotations

from idlehands.wire import IDLE_STATES, OUTCOMES

from .declaring import AT, POOL, PROCESS, WORKER, ExportTable, number, text
from .recorded_columns import RECORDED
from .sample_columns import SAMPLE_TABLES

_OTHERS = (
    ExportTable(
        "processes",
        "a process of the job, as it was last heard of",
        (
            PROCESS,
            number("pid", "process id, -1 unknown"),
            text("program", "the program that it runs"),
            text("python", "version of its Python"),
            number("wire_version", "version of the wire that its probe speaks"),
            number("is_external", "1 for a process without a probe, sampled from outside, else 0"),
            number("now_ns", "monotonic clock when it said who it is"),
            number("wall_ns", "wall clock at that time, since 1970-01-01 UTC"),
            text("ended", "why its record ends, empty where it did not end"),
            number("recording_ns", "CPU time that the probe took in its worker threads"),
            number("sending_ns", "CPU time that the probe took to send"),
        ),
    ),
    ExportTable(
        "pools",
        "a pool, as it was last declared",
        (
            POOL,
            PROCESS,
            number("declared_as", "number of the pool in its process"),
            text("name", "name of the pool"),
            text("pool_kind", "kind of pool"),
            number("workers", "how many workers it has", "workers"),
            number("most_workers", "how many it may start, -1 unknown", "workers"),
            number("declared_ns", "when it was declared"),
            number("closed_ns", "when it was closed, -1 where it was not"),
            number("shared_queue", "1 where the workers share one queue, else 0"),
            number("reports_contention", "1 where every contended operation is reported, else 0"),
            text("thinned_by", "column of tasks whose moment decided the step of detail"),
            text("broken", "why the pool cannot be used any more, empty where it can"),
            number("withdrawn", "1 where it turned out to be no pool: leave its rows out; else 0"),
        ),
    ),
    ExportTable(
        "kinds",
        "a kind of task of a pool",
        (POOL, number("kind", "number of the kind in its pool"), text("name", "name of the kind")),
    ),
    ExportTable(
        "workers",
        "the present or last thread of a worker",
        (
            POOL,
            WORKER,
            number("pid", "process that the worker is or is in"),
            number("native_id", "the kernel's number of its thread"),
            number("ident", "Python's identifier of its thread, less 2**64 from 2**63 on"),
            text("name", "name of its thread"),
        ),
    ),
    ExportTable(
        "detail_steps",
        "a change of how much detail the probe records of a pool",
        (
            POOL,
            AT,
            number("step", "0 full, 1 no CPU times, 2 one task in 16, 3 tasks only counted"),
        ),
    ),
    ExportTable(
        "dead_processes",
        "a process whose end broke its pool",
        (
            POOL,
            number("pid", "process id"),
            number("status", "exit status, or the negative number of the signal"),
        ),
    ),
    ExportTable(
        "raised",
        "a kind of exception that tasks of a kind raised",
        (
            POOL,
            number("kind", "kind of the tasks, see the table kinds"),
            text("exception", "name of the exception's class"),
            number("tasks", "how many tasks raised one", "tasks"),
        ),
    ),
    ExportTable(
        "steal_attempts",
        "the steal attempts of a thief at a victim since the row before",
        (
            POOL,
            number("at_ns", "when they were counted, -1 unknown"),
            number("thief", "worker that searched"),
            number("victim", "worker whose deque it searched"),
            number("hits", "attempts that took a task", "steal attempts"),
            number("empties", "attempts that found the deque empty", "steal attempts"),
            number("lost_races", "attempts that lost the task to another", "steal attempts"),
        ),
    ),
    ExportTable(
        "levels",
        "the state of a pool at one time",
        (
            POOL,
            AT,
            number("queued", "tasks in the inbox or the shared queue, -1 unknown", "tasks"),
            number("ran", "tasks run so far, recorded or only counted", "tasks"),
            number(
                "spawned", "tasks handed in so far, -1 where the table spawns has them", "tasks"
            ),
            number("misuses", "calls of the probe that its rules forbid, so far", "calls"),
        ),
    ),
    ExportTable(
        "worker_levels",
        "the state of a worker at one time",
        (
            POOL,
            AT,
            WORKER,
            number("deque_length", "tasks in its deque, -1 unknown", "tasks"),
            number("ran", "tasks that it has run so far, -1 unknown", "tasks"),
            number("open_intervals", "tasks, waits and idle intervals that it is in", "intervals"),
        ),
    ),
    ExportTable(
        "lost_rows",
        "rows that were overwritten in the probe before they could be sent",
        (
            POOL,
            text("table", "the table that they were of"),
            WORKER,
            number("rows", "how many", "rows"),
        ),
    ),
    ExportTable(
        "left_out",
        "something that was not read, because it was damaged or past a limit",
        (
            text("what", "what was left out"),
            text("why", "why"),
            number("count", "how many"),
        ),
    ),
    ExportTable(
        "windows",
        "the time that the capture was asked for",
        (number("begin_ns", "when it begins"), number("length_ns", "how long it is")),
    ),
    ExportTable(
        "totals",
        "what is left of a second of a pool for whose rows the capture had no room",
        (
            POOL,
            number("begin_ns", "when the second begins"),
            number("length_ns", "how long it is: more than a second where seconds were joined"),
            *(number(name, f"tasks that ended as {name}", "tasks") for name in OUTCOMES),
            number("handed_in", "tasks that were handed in", "tasks"),
            number("tasks_ns", "time of its workers in tasks"),
            number("waits_ns", "time of its workers in waits"),
            *(number(f"{name}_ns", f"time of its workers {name}") for name in IDLE_STATES),
        ),
    ),
    ExportTable(
        "facts",
        "a fact in the header of the capture",
        (text("name", "name of the fact"), text("value", "the fact, as JSON")),
    ),
    ExportTable(
        "marks",
        "a moment that a person marked",
        (AT, text("note", "what the person wrote")),
    ),
)

TABLES_EXPORTED = {table.name: table for table in (*RECORDED.values(), *_OTHERS, *SAMPLE_TABLES)}
"""Every table of an export, by its name, without the data dictionary."""

DICTIONARY = ExportTable(
    "dictionary",
    "a column of this export",
    (
        text("table", "name of the table"),
        text("column", "name of the column"),
        text("type", "integer (64 bits, signed), real or text"),
        text("unit", "unit of its values, empty for names and codes"),
        text("meaning", "what a value means"),
        text("row", "what a row of the table stands for"),
    ),
)


def dictionary_rows() -> list[tuple[str, ...]]:
    """Return the data dictionary: a row for each column of each table, its own included."""
    return [
        (table.name, column.name, column.type, column.unit, column.meaning, table.row)
        for table in (*TABLES_EXPORTED.values(), DICTIONARY)
        for column in table.columns
    ]
