"""Reads an SQLite export as if it were a capture: its frames as wire bytes, block by block.

The file may come from anybody. It is opened for reading only, its tables must be declared exactly
as an export declares them, and what is read goes through the checks of the wire like the blocks of
a capture. Touches the file system only.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import stat
from array import array
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np

from idlehands.wire import TABLES, encode

from ..capture import Block, CaptureError, NotACapture
from ..checker import skipped
from ..checks import COUNT, POOL, WORKER, Refused, sequence, text
from ..files import sqlite_uri
from ..limits import BLOCK_BYTES, FRAME_BYTES
from ..rows import NUMBER_BYTES
from ..schema import CheckedFrame
from ..wire_frames import encoded
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

SETTINGS = (
    "PRAGMA query_only = ON",
    "PRAGMA trusted_schema = OFF",
    "PRAGMA cell_size_check = ON",
    "PRAGMA mmap_size = 0",
)
MOST_ROWS = FRAME_BYTES // NUMBER_BYTES
"""Of one frame."""
MOST_FACTS = 100
CHANGED = "rows are missing: the export was changed"
DAMAGED = "its content is damaged"
SKIPPED = "skipped"


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

    Attributes: path; facts, what the header of its capture said; warning, in one line what was
    wrong with the blocks read so far, "" for nothing.

    Raises NotACapture or CaptureError from the constructor, with the path in the message.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self.path = path
        self.warning = ""
        with contextlib.closing(self._open()) as database:
            self._check(database)
            self.facts = _facts(database)

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

    def __iter__(self) -> Iterator[Block]:
        return self.blocks()

    def blocks(self, start: int = 0) -> Iterator[Block]:
        """Yield the blocks from the one on that has `start` as its own."""
        with contextlib.closing(self._open()) as database:
            try:
                yield from self._blocks(database, start)
            except sqlite3.Error as error:
                self.warning = f"the rest cannot be read: {error}"

    def _blocks(self, database: sqlite3.Connection, start: int) -> Iterator[Block]:
        before = "SELECT coalesce(sum(frames), 0) FROM blocks WHERE block < ?"
        (skip,) = database.execute(before, (start,)).fetchone()
        stored = _StoredFrames(database, skip)
        blocks = database.execute(
            "SELECT block, closed_ns, frames FROM blocks WHERE block >= ? ORDER BY block", (start,)
        )
        for number, closed_ns, count in blocks:
            if type(closed_ns) is not int or type(count) is not int:
                self.warning = "the rest cannot be read: a block is damaged"
                return
            held, left_out = bytearray(), list[CheckedFrame]()
            for _ in range(count):
                found = stored.next()
                if found is None:
                    self.warning = "the rest cannot be read: frames are missing"
                    break
                if isinstance(found, bytes):
                    held += found
                else:
                    left_out.append(found)
                if len(held) + FRAME_BYTES > BLOCK_BYTES:  # more than a writer puts in a block
                    yield Block(closed_ns, bytes(held), len(held), number, tuple(left_out))
                    held, left_out = bytearray(), []
            yield Block(closed_ns, bytes(held), len(held), number, tuple(left_out))


def _facts(database: sqlite3.Connection) -> dict[str, Any]:
    """Return the facts of the header, empty where they cannot be read."""
    try:
        rows = database.execute("SELECT name, value FROM facts").fetchmany(MOST_FACTS)
        return {name: json.loads(value) for name, value in rows if type(name) is str}
    except (sqlite3.Error, ValueError, TypeError, RecursionError):
        return {}


class _StoredFrames:
    """The frames of an export, one after the other; recorded rows are each read at most once."""

    def __init__(self, database: sqlite3.Connection, skip: int) -> None:
        self._database = database
        self._frames = database.execute(
            "SELECT kind, content, first_row FROM frames ORDER BY frame LIMIT -1 OFFSET ?", (skip,)
        )
        self._next_row = dict.fromkeys(TABLES, 1)

    def next(self) -> bytes | CheckedFrame | None:
        """Return the bytes of the next frame, or what was left out; None after the last one."""
        row = self._frames.fetchone()
        if row is None:
            return None
        kind, content, first_row = row
        try:
            found = parsed(content)
            if kind == SKIPPED:
                why = text(found.get("why"))
                return skipped(text(found.get("what")), why, COUNT(found.get("count")))
            if kind == "rows":
                return encoded(self._rows(found, first_row))
            return encode(frame_of(text(kind), found))
        except (Refused, ValueError, TypeError, OverflowError) as error:
            # msgpack refuses integers of more than 64 bits, and deep nesting
            return skipped("frames", str(error) if isinstance(error, Refused) else DAMAGED)

    def _rows(self, found: dict[str, Any], first_row: Any) -> CheckedFrame:
        """Return a frame of recorded rows; those that were left out of it only count."""
        table = found.get("table")
        if type(table) is not str or table not in TABLES:
            raise Refused("rows of an unknown table")
        parts = [_part(part) for part in sequence(found.get("parts"), MOST_ROWS)]
        if sum(part[2] for part in parts) > MOST_ROWS:
            raise Refused(CHANGED)
        values = self._values(table, COUNT(first_row), sum(part[3] for part in parts))
        pool = POOL(found.get("pool"))
        frame = {"frame": "rows", "pool": pool, "table": table, "parts": parts, "values": values}
        return CheckedFrame(frame)

    def _values(self, table: str, first_row: int, count: int) -> Any:
        """Return the next rows of a table, shape (columns, rows). Raises Refused."""
        if first_row < self._next_row[table]:
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
