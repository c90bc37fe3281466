"""What a recording can be exported to. A module of its own, because `--help` needs it at once."""

from __future__ import annotations

from enum import StrEnum


class ExportForm(StrEnum):
    """The forms of an export: three of tables, a trace for timeline viewers, and spans."""

    SQLITE = "sqlite"
    CSV = "csv"
    PARQUET = "parquet"
    TRACE = "trace"
    SPANS = "spans"
