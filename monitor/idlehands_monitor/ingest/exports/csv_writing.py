"""Writes the tables of an export as CSV files in a folder, by RFC 4180, with the standard library.

UTF-8, a line of column names first. Touches the file system only.
"""

from __future__ import annotations

import contextlib
import csv
import io
from typing import TYPE_CHECKING, Any

from .declaring import TEXT
from .writing import ALL_TABLES, TableWriter, file_errors

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..folders import NewFolder
    from .flattening import Batch

FILES = {name: f"{name}.csv" for name in ALL_TABLES}
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that begins so for a formula, and would run it (OWASP, "CSV
Injection"); a quotation mark goes before it."""
TEXT_PLACES = {
    name: [place for place, one in enumerate(table.columns) if one.type == TEXT]
    for name, table in ALL_TABLES.items()
}


class CsvExport(TableWriter):
    """Writes rows to a file for each table.

    clean: makes text of the job safe for a terminal.
    """

    def __init__(self, folder: NewFolder, clean: Callable[[str], str]) -> None:
        self._path = folder.path
        self._clean = clean
        self._files: list[io.TextIOWrapper] = []
        self._writers: dict[str, Any] = {}
        for name, table in ALL_TABLES.items():
            file = io.TextIOWrapper(folder.open(FILES[name]), encoding="utf-8", newline="")
            self._files.append(file)
            self._writers[name] = csv.writer(file)
            self._writers[name].writerow(table.names)

    def add(self, batches: list[Batch]) -> None:
        """Write rows."""
        for batch in batches:
            columns = batch.lists
            for place in TEXT_PLACES[batch.table]:
                columns[place] = [self._safe(value) for value in columns[place]]
            with file_errors(self._path):
                self._writers[batch.table].writerows(zip(*columns, strict=True))

    def finish(self) -> None:
        """Write what is left."""
        with file_errors(self._path):
            for file in self._files:
                file.flush()

    def close(self) -> None:
        """Close the files."""
        for file in self._files:
            with contextlib.suppress(OSError):  # after an error of `add` it says the same again
                file.close()

    def _safe(self, value: str) -> str:
        value = self._clean(value)
        return f"'{value}" if value.startswith(FORMULA_STARTS) else value
