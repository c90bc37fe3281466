"""Writes an SQLite export, with the standard library. Touches the file system only."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING

from ..files import FileError
from .recorded_columns import RECORDED
from .sqlite_layout import APPLICATION_ID, DECLARATIONS, VERSION, content_of
from .writing import TableWriter

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..capture import Block
    from ..files import NewFile
    from ..schema import CheckedFrame
    from .flattening import Batch

ROW_IDS = {table.name for table in RECORDED.values()}
SETTINGS = (
    # Until it is whole the file has a draft name and is thrown away on any error: no journal.
    "PRAGMA journal_mode = OFF",
    "PRAGMA synchronous = OFF",
    "PRAGMA locking_mode = EXCLUSIVE",
    "PRAGMA temp_store = MEMORY",
    f"PRAGMA application_id = {APPLICATION_ID}",
    f"PRAGMA user_version = {VERSION}",
)


class SqliteExport(TableWriter):
    """Writes frames and their rows to a new SQLite database in the place of a `NewFile`."""

    def __init__(self, file: NewFile) -> None:
        self._file = file
        self._rows = dict.fromkeys(ROW_IDS, 0)
        self._block: Block | None = None
        self._blocks = self._frames = self._in_block = 0
        with self._errors():
            self._database = sqlite3.connect(file.draft_uri, uri=True, isolation_level=None)
            for setting in SETTINGS:
                self._database.execute(setting)
        if not file.written_bytes:
            self.close()
            raise FileError(f"{file.path}: its draft was replaced by another file meanwhile")
        with self._errors():
            self._database.execute("BEGIN")
            for sql in DECLARATIONS.values():
                self._database.execute(sql)

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise FileError(f"{self._file.path}: {error}") from error

    def begin(self, block: Block) -> None:
        """Begin the next block of the recording."""
        self._end_block()
        self._block = block

    def add_frame(self, frame: CheckedFrame) -> None:
        """Write a frame; the values of recorded rows come after it.

        Rows that were left out are left out again where the export is read, and are counted then.
        """
        if frame["frame"] == "skipped" and frame["what"].startswith("rows of "):
            return
        first_row = None
        if frame["frame"] == "rows":
            first_row = self._rows[RECORDED[frame["table"]].name] + 1
        with self._errors():
            self._frames += 1
            self._in_block += 1
            self._database.execute(
                "INSERT INTO frames VALUES (?, ?, ?, ?)",
                (self._frames, frame["frame"], content_of(frame), first_row),
            )

    def add(self, batches: list[Batch]) -> None:
        """Write rows."""
        for batch in batches:
            self._insert(batch)

    def finish(self) -> None:
        """Write what is left."""
        self._end_block()
        with self._errors():
            self._database.execute("COMMIT")

    def close(self) -> None:
        """Close the database; without `finish` it is not whole."""
        self._database.close()

    def _end_block(self) -> None:
        if self._block is None:
            return
        self._blocks += 1
        with self._errors():
            self._database.execute(
                "INSERT INTO blocks VALUES (?, ?, ?)",
                (self._blocks, self._block.at_ns, self._in_block),
            )
        self._in_block = 0

    def _insert(self, batch: Batch) -> None:
        columns = batch.lists
        if batch.table in ROW_IDS:
            first = self._rows[batch.table] + 1
            self._rows[batch.table] += len(columns[0])
            columns.insert(0, list(range(first, first + len(columns[0]))))
        marks = ", ".join("?" * len(columns))
        with self._errors():
            self._database.executemany(
                f"INSERT INTO {batch.table} VALUES ({marks})",  # noqa: S608
                zip(*columns, strict=True),
            )
