"""The tables of an export, each declared once: names, types, units and meanings.

The writers, `load` and the data dictionary (in an export and in docs/exporting.md) take them from
here. The tables that the probe records take their columns from its own declaration. Times are
nanoseconds of the monotonic clock of the host; -1 stands for nobody, nothing, or not read.
"""

from __future__ import annotations

from typing import NamedTuple

from idlehands.wire import (
    CONTENTION,
    IDLE_INTERVALS,
    SPAWNS,
    TABLES,
    TASKS,
    WAITS,
    WORKER_LIFETIMES,
)

INTEGER, REAL, TEXT = "integer", "real", "text"


class ExportColumn(NamedTuple):
    """One column: its name, its type, its unit ("" for names and codes), and what it means."""

    name: str
    type: str
    unit: str
    meaning: str


class ExportTable(NamedTuple):
    """One table: its name, what a row stands for, and its columns in order.

    recorded: the name of the recorded table on the wire, "" for a table of anything else.
    """

    name: str
    row: str
    columns: tuple[ExportColumn, ...]
    recorded: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its columns."""
        return tuple(column.name for column in self.columns)


EXPORT_NAMES = {
    TASKS.name: "tasks",
    WAITS.name: "waits",
    IDLE_INTERVALS.name: "idle_intervals",
    SPAWNS.name: "spawns",
    WORKER_LIFETIMES.name: "worker_lifetimes",
    CONTENTION.name: "contended_operations",
}
"""The name in an export of each table that the probe records."""
UNITS = {
    "size": "as the caller means it",
    "helped": "tasks",
    "attempts": "steal attempts",
    "length": "tasks",
}


def number(name: str, meaning: str, unit: str = "") -> ExportColumn:
    """Return a column of integers; a name that ends in a unit has this unit."""
    if not unit and name.endswith("_ns"):
        unit = "ns"
    elif not unit and name.endswith("_bytes"):
        unit = "bytes"
    return ExportColumn(name, INTEGER, unit, meaning)


def text(name: str, meaning: str) -> ExportColumn:
    """Return a column of text."""
    return ExportColumn(name, TEXT, "", meaning)


def cores(name: str, meaning: str) -> ExportColumn:
    """Return a column of numbers of cores."""
    return ExportColumn(name, REAL, "cores", meaning)


POOL = number("pool", "number of the pool in this export, see the table pools")
PROCESS = number("process", "number of the process in this export, see the table processes")
WORKER = number("worker", "number of the worker in its pool, from 0; -1 nobody")
AT = number("at_ns", "when this was so")


def _recorded(wire_name: str) -> ExportTable:
    """Return the export of a recorded table: its pool and its worker, then its own columns."""
    table = TABLES[wire_name]
    own = [number(one.name, one.meaning, UNITS.get(one.name, "")) for one in table.columns]
    if wire_name == SPAWNS.name:
        own.insert(0, number("task", "number of the task, -1 where rows before it were damaged"))
    columns = (POOL, WORKER, *own)
    return ExportTable(EXPORT_NAMES[wire_name], table.row, columns, wire_name)


RECORDED = {name: _recorded(name) for name in EXPORT_NAMES}
"""The recorded tables, by their names on the wire."""

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
        "thread_samples",
        "the kernel's counters of a thread at one time",
        (
            PROCESS,
            AT,
            number("native_id", "the kernel's number of the thread"),
            number("on_core_ns", "time on a core so far, -1 unknown"),
            number("run_queue_ns", "time ready to run without a core so far, -1 unknown"),
            text("wait", "what it waited for, empty where that was not read"),
            number("voluntary", "switches that it asked for so far, -1 not read", "switches"),
            number("nonvoluntary", "other switches so far, -1 not read", "switches"),
            number("io_wait_ns", "time in block input and output so far, -1 not read"),
            number("gone", "1 where the thread had ended, else 0"),
            number("beside", "1 where the thread is no worker of a pool, else 0"),
        ),
    ),
    ExportTable(
        "process_samples",
        "the kernel's counters of a process at one time; -1 unknown",
        (
            PROCESS,
            AT,
            number("pid", "process id"),
            number("resident_bytes", "memory in use"),
            number("minor_faults", "page faults without input or output so far", "faults"),
            number("major_faults", "page faults with input or output so far", "faults"),
            number("voluntary_switches", "switches that its threads asked for so far", "switches"),
            number("nonvoluntary_switches", "other switches so far", "switches"),
            number("io_wait_ns", "time of its threads in block input and output so far"),
            number("affinity", "cores that it may use", "cores"),
            number("periods", "periods of its CPU quota so far", "periods"),
            number("throttled_periods", "periods in which the quota stopped it", "periods"),
            number("throttled_ns", "time for which the quota stopped it so far"),
            number("memory_left_bytes", "memory that it may still take"),
            number("started_ns", "when the process began"),
            cores("usable_cores", "cores that it may use, quota and affinity together"),
            cores("quota_cores", "cores that its quota allows"),
        ),
    ),
    ExportTable(
        "stack_samples",
        "a thread of a process without a probe at one time",
        (
            number("sample", "number of the sample in this export"),
            AT,
            number("pid", "process id"),
            number("parent", "process that started it, -1 unknown"),
            number("native_id", "the kernel's number of the thread"),
            text("name", "name of the thread"),
            number("owns_lock", "1 where it held the interpreter lock, else 0"),
            text("wait", "what it waited for just before"),
            text("missing", "why the stacks of the process could not be read, else empty"),
        ),
    ),
    ExportTable(
        "stack_frames",
        "a frame of the stack of a sample",
        (
            number("sample", "number of the sample, see the table stack_samples"),
            number("depth", "0 for the innermost frame"),
            text("function", "name of the function"),
            text("file", "path of its file"),
            number("line", "line in that file, -1 unknown"),
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
        "marks",
        "a moment that a person marked",
        (AT, text("note", "what the person wrote")),
    ),
)

TABLES_EXPORTED = {table.name: table for table in (*RECORDED.values(), *_OTHERS)}
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
