"""The tables that the probe records, as an export has them: its own declaration, with the pool and
the worker of each row. Pure."""

from __future__ import annotations

from idlehands.wire import (
    CONTENTION,
    IDLE_INTERVALS,
    SPAWNS,
    TABLES,
    TASKS,
    WAITS,
    WORKER_LIFETIMES,
)

from .declaring import POOL, WORKER, ExportTable, number

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
