"""Reads an SQLite export as if it were a capture: its frames, block by block, checked anew.

The file may come from anybody. It is opened for reading only, its tables must be declared exactly
as an export declares them, and every value goes through the checks of the wire. Touches the file
system only.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
from array import array
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np

from idlehands.wire import TABLES, NewerVersion, WireError, check_version

from ..capture import Block, CaptureError, NotACapture
from ..checker import checked_frames, skipped
from ..checks import COUNT, WORKER, Refused, sequence, text
from ..files import sqlite_uri
from ..limits import FRAME_BYTES
from ..rows import NUMBER_BYTES, checked_rows
from ..schema import CheckedFrame
from ..wire_frames import columns_of
from .sqlite_layout import (
    APPLICATION_ID,
    DECLARATIONS,
    MAGIC,
    MOST_CONTENT,
    VERSION,
    frame_of,
    parsed,
    rows_query,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from os import PathLike

PORTION_FRAMES = 64
PORTION_ROWS = 1 << 16
"""At most so much is in memory as frames at a time, and one frame more."""
SETTINGS = (
    "PRAGMA query_only = ON",
    "PRAGMA trusted_schema = OFF",
    "PRAGMA cell_size_check = ON",
    "PRAGMA mmap_size = 0",
)
MOST_ROWS = FRAME_BYTES // NUMBER_BYTES
"""Of one frame."""
CHANGED = "rows are missing: the export was changed"


def is_sqlite(path: str | PathLike[str]) -> bool:
    """Say whether a regular file begins like an SQLite database."""
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):  # opening a pipe would wait for a writer
            return False
        with open(path, "rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError:
        return False


class ExportReader:
    """Iterates over the blocks of an SQLite export.

    `warning` says in one line what was wrong with the blocks read so far, "" for nothing. Raises
    NotACapture or CaptureError from the constructor, with the path in the message.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self.path = path
        self.warning = ""
        with contextlib.closing(self._open()) as database:
            self._check(database)

    def _open(self) -> sqlite3.Connection:
        try:
            # A replay may be drained on another thread than the one that opened it.
            uri = f"{sqlite_uri(os.fspath(self.path))}?mode=ro&immutable=1"
            database = sqlite3.connect(uri, uri=True, check_same_thread=False)
            database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MOST_CONTENT)
            for setting in SETTINGS:
                database.execute(setting)
        except sqlite3.Error as error:
            raise CaptureError(f"{self.path}: {error}") from error
        return database

    def _check(self, database: sqlite3.Connection) -> None:
        try:
            (application,) = database.execute("PRAGMA application_id").fetchone()
            (version,) = database.execute("PRAGMA user_version").fetchone()
            (pages,) = database.execute("PRAGMA page_count").fetchone()
            (page_bytes,) = database.execute("PRAGMA page_size").fetchone()
            found = dict(database.execute("SELECT name, sql FROM sqlite_schema WHERE type='table'"))
        except sqlite3.Error as error:
            raise CaptureError(f"{self.path}: {error}") from error
        if application != APPLICATION_ID:
            raise NotACapture(f"{self.path}: an SQLite database, but not an export of idlehands")
        if version > VERSION:
            raise NotACapture(
                f"{self.path}: written in version {version} of the layout of exports; "
                f"this idlehands reads version {VERSION}"
            )
        if os.path.getsize(self.path) < pages * page_bytes:
            self.warning = "its end is missing"
        for name, sql in DECLARATIONS.items():
            if found.get(name) != sql:
                raise NotACapture(f"{self.path}: its table {name} is not that of an export")

    def portions(self) -> Iterator[tuple[Block, list[CheckedFrame]]]:
        """Yield the frames of each block, in portions. Raises NotACapture for a later version of
        the wire."""
        with contextlib.closing(self._open()) as database:
            try:
                yield from self._blocks(database)
            except sqlite3.Error as error:
                self.warning = f"the rest cannot be read: {error}"
            except NewerVersion as error:
                raise NotACapture(f"{self.path}: {error}") from error

    def _blocks(self, database: sqlite3.Connection) -> Iterator[tuple[Block, list[CheckedFrame]]]:
        stored = _StoredFrames(database)
        blocks = database.execute("SELECT closed_ns, frames FROM blocks ORDER BY block")
        for closed_ns, count in blocks:
            if type(closed_ns) is not int or type(count) is not int:
                self.warning = "the rest cannot be read: a block is damaged"
                return
            block = Block(closed_ns, b"")
            portion, rows = list[CheckedFrame](), 0
            for _ in range(count):
                found = stored.next()
                if found is None:
                    self.warning = "the rest cannot be read: frames are missing"
                    break
                for frame in found:
                    portion.append(frame)
                    rows += frame["values"].shape[1] if frame["frame"] == "rows" else 0
                if len(portion) >= PORTION_FRAMES or rows >= PORTION_ROWS:
                    yield block, portion
                    portion, rows = [], 0
            yield block, portion


class _StoredFrames:
    """The frames of an export, one after the other; recorded rows are each read at most once."""

    def __init__(self, database: sqlite3.Connection) -> None:
        self._database = database
        self._frames = database.execute(
            "SELECT kind, content, first_row FROM frames ORDER BY frame"
        )
        self._next_row = dict.fromkeys(TABLES, 1)

    def next(self) -> tuple[CheckedFrame, ...] | None:
        """Return what the next frame holds, None after the last one. Raises NewerVersion."""
        row = self._frames.fetchone()
        if row is None:
            return None
        try:
            return self._checked(*row)
        except Refused as error:
            return (skipped("frames", str(error)),)

    def _checked(self, kind: Any, content: Any, first_row: Any) -> tuple[CheckedFrame, ...]:
        kind = text(kind)
        found = parsed(content)
        if kind == "skipped":
            why = text(found.get("why"))
            return (skipped(text(found.get("what")), why, COUNT(found.get("count"))),)
        if kind == "rows":
            return (self._rows(found, first_row),)
        if kind == "hello":
            try:
                check_version(found.get("version"))
            except NewerVersion:
                raise
            except WireError as error:
                raise Refused(str(error)) from None
        return checked_frames(frame_of(kind, found))

    def _rows(self, found: dict[str, Any], first_row: Any) -> CheckedFrame:
        """Return a frame of recorded rows, with the counts of the rows that were left out of it."""
        table = found.get("table")
        if type(table) is not str or table not in TABLES:
            raise Refused("rows of an unknown table")
        parts = [_part(part) for part in sequence(found.get("parts"), MOST_ROWS)]
        wire = {
            "frame": "rows",
            "pool": found.get("pool"),
            "table": table,
            "parts": [[worker, first, kept] for worker, first, _, kept in parts],
            "columns": columns_of(
                TABLES[table].names,
                self._values(table, COUNT(first_row), sum(part[3] for part in parts)),
            ),
        }
        frame, past_first, left_out = checked_rows(wire)
        if past_first or left_out:
            raise Refused(CHANGED)
        frame["parts"] = parts
        return frame

    def _values(self, table: str, first_row: int, count: int) -> Any:
        """Return the next rows of a table, shape (columns, rows). Raises Refused."""
        if count > MOST_ROWS or first_row < self._next_row[table]:
            raise Refused(CHANGED)
        self._next_row[table] = first_row + count
        found = self._database.execute(rows_query(table), (first_row, first_row + count)).fetchall()
        if len(found) != count:
            raise Refused(CHANGED)
        try:
            numbers = array("q", chain.from_iterable(found))
        except (TypeError, OverflowError):
            raise Refused("a value of a row is no integer") from None
        width = len(TABLES[table].names)
        return np.frombuffer(numbers, dtype=np.int64).reshape(count, width).T


def _part(part: Any) -> tuple[int, int, int, int]:
    """Return (worker, first, rows, rows kept) of a ring. Raises Refused."""
    values = sequence(part, 4)
    if len(values) != 4:
        raise Refused("a part of its rows is damaged")
    worker, first, rows, kept = WORKER(values[0]), *map(COUNT, values[1:])
    if kept > rows:
        raise Refused("a part of its rows is damaged")
    return worker, first, rows, kept
