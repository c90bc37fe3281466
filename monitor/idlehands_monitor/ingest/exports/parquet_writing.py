"""Writes the tables of an export as Parquet files in a folder, with pyarrow where it is installed.

A column's unit and meaning are in its metadata too. Touches the file system only.
"""

from __future__ import annotations

import contextlib
import importlib
from typing import TYPE_CHECKING, Any, BinaryIO

from ..files import FileError
from .declaring import INTEGER, REAL
from .writing import ALL_TABLES, TableWriter, file_errors

if TYPE_CHECKING:
    from ..folders import NewFolder
    from .declaring import ExportTable
    from .flattening import Batch

FILES = {name: f"{name}.parquet" for name in ALL_TABLES}
GROUP_ROWS = 1 << 16
"""Rows of a table that are written together, as one row group."""
MISSING = "Parquet needs pyarrow, which is not installed here: pip install pyarrow"


class ParquetExport(TableWriter):
    """Writes rows to a file for each table. Raises FileError where pyarrow is not installed."""

    def __init__(self, folder: NewFolder) -> None:
        self._path = folder.path
        self._arrow, parquet = arrow_modules()
        self._files: list[BinaryIO] = []
        self._writers: dict[str, Any] = {}
        self._held: dict[str, list[Any]] = {name: [] for name in ALL_TABLES}
        self._held_rows = dict.fromkeys(ALL_TABLES, 0)
        self._schemas = {name: self._schema(table) for name, table in ALL_TABLES.items()}
        for name, schema in self._schemas.items():
            self._files.append(folder.open(FILES[name]))
            self._writers[name] = parquet.ParquetWriter(self._files[-1], schema)

    def _schema(self, table: ExportTable) -> Any:
        arrow = self._arrow
        types = {INTEGER: arrow.int64(), REAL: arrow.float64()}
        fields = [
            arrow.field(
                one.name,
                types.get(one.type, arrow.string()),
                nullable=False,
                metadata={"unit": one.unit, "meaning": one.meaning},
            )
            for one in table.columns
        ]
        return arrow.schema(fields, metadata={"row": table.row})

    def add(self, batches: list[Batch]) -> None:
        """Hold rows, and write those of a table when they are a row group."""
        for batch in batches:
            schema = self._schemas[batch.table]
            columns = [
                self._arrow.array(column, type=field.type)
                for column, field in zip(batch.columns, schema, strict=True)
            ]
            held = self._arrow.record_batch(columns, schema=schema)
            self._held[batch.table].append(held)
            self._held_rows[batch.table] += held.num_rows
            if self._held_rows[batch.table] >= GROUP_ROWS:
                self._write(batch.table)

    def finish(self) -> None:
        """Write what is left."""
        for name in ALL_TABLES:
            self._write(name)
        with file_errors(self._path):
            for writer in self._writers.values():
                writer.close()

    def close(self) -> None:
        """Close the files."""
        for file in [*self._writers.values(), *self._files]:
            with contextlib.suppress(OSError):  # after an error of `add` it says the same again
                file.close()

    def _write(self, name: str) -> None:
        held, self._held[name], self._held_rows[name] = self._held[name], [], 0
        if held:
            with file_errors(self._path):
                self._writers[name].write_table(self._arrow.Table.from_batches(held))


def arrow_modules() -> tuple[Any, Any]:
    """Return pyarrow and pyarrow.parquet. Raises FileError where they are not installed."""
    try:
        return importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise FileError(MISSING) from None
