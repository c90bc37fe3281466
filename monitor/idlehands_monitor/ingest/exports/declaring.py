"""How a table of an export is declared: its columns with types, units and meanings. Pure.

Times are nanoseconds of the monotonic clock of the host; -1 stands for nobody, nothing, or not
read.
"""

from __future__ import annotations

from typing import NamedTuple

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
