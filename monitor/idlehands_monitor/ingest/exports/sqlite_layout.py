"""The layout of an SQLite export. Pure.

It holds the exported tables, the data dictionary, and in two more tables the frames themselves, so
that the export can be read like a capture: ``blocks`` and ``frames``, in the order of the capture.
A frame's content is JSON. The values of recorded rows are only in their table: a frame says which
rows are its own, and how many of each ring.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from idlehands.wire import STEAL_ATTEMPTS, TABLES

from .. import limits
from ..checks import Refused
from ..rows import OLD_ATTEMPTS, TOTALS
from ..wire_frames import columns_of, wire_frame
from .columns import DICTIONARY, TABLES_EXPORTED
from .declaring import INTEGER, REAL
from .recorded_columns import RECORDED

if TYPE_CHECKING:
    from idlehands.wire import Frame

    from ..schema import CheckedFrame
    from .declaring import ExportTable

APPLICATION_ID = int.from_bytes(b"ihEX")
"""In the header of the file, as SQLite provides for it (PRAGMA application_id)."""
VERSION = 1
"""Of this layout, in the header of the file (PRAGMA user_version)."""
MAGIC = b"SQLite format 3\0"
"""The first bytes of every SQLite database (sqlite.org, "Database File Format", 1.3)."""
MOST_CONTENT = 32 << 20
"""Bytes of the content of one frame: a byte of the wire takes at most six letters of JSON."""
PAIRS = "pairs"
COLUMNAR = ("counters", "totals")
"""Kinds of frame with columns of numbers; here these are lists."""
_TYPES = {INTEGER: "INTEGER", REAL: "REAL"}

FRAME_TABLES = {
    "blocks": "CREATE TABLE blocks (block INTEGER PRIMARY KEY, closed_ns INTEGER, frames INTEGER)",
    "frames": "CREATE TABLE frames "
    "(frame INTEGER PRIMARY KEY, kind TEXT, content TEXT, first_row INTEGER)",
}


def declaration(table: ExportTable) -> str:
    """Return the SQL that makes a table; the rows of recorded ones are numbered."""
    columns = [f'"{one.name}" {_TYPES.get(one.type, "TEXT")}' for one in table.columns]
    if table.recorded:
        columns.insert(0, "id INTEGER PRIMARY KEY")
    return f"CREATE TABLE {table.name} ({', '.join(columns)})"


DECLARATIONS = {
    **{table.name: declaration(table) for table in (*TABLES_EXPORTED.values(), DICTIONARY)},
    **FRAME_TABLES,
}


def content_of(frame: CheckedFrame) -> str:
    """Return the content of a frame as JSON."""
    kind = frame["frame"]
    if kind == "rows":
        content: Any = {key: frame[key] for key in ("pool", "table", "parts")}
    elif kind in COLUMNAR:
        content = {
            key: [part.tolist() for part in value] if isinstance(value, list) else _plain(value)
            for key, value in frame.items()
        }
    else:
        content = {key: _plain(value) for key, value in (wire_frame(frame) or frame).items()}
    content.pop("frame", None)
    return json.dumps(content, separators=(",", ":"))


def _plain(value: Any) -> Any:
    """Return a value for JSON: numbers are no keys there, so a map becomes a list of pairs."""
    if isinstance(value, dict):
        return {PAIRS: [list(pair) for pair in value.items()]}
    return value.tolist() if hasattr(value, "tolist") else value


def parsed(content: Any) -> dict[str, Any]:
    """Return the content of a frame. Raises Refused where it is none, or past the limits."""
    if type(content) is not str:
        raise Refused("its content is not text")
    if content.count("[") + content.count("{") > 3 * limits.FRAME_LISTS:
        raise Refused("its content has too many parts")
    try:
        found = json.loads(content, object_hook=_maps)
    except (ValueError, TypeError, RecursionError):
        raise Refused("its content is not JSON") from None
    if type(found) is not dict:
        raise Refused("its content is not a map")
    return found


def _maps(found: dict[str, Any]) -> Any:
    return dict(found[PAIRS]) if list(found) == [PAIRS] else found


def frame_of(kind: str, content: dict[str, Any]) -> Frame:
    """Return the frame of the wire that a content stands for; not of ``rows``.

    Raises Refused. Nothing of the frame has been checked.
    """
    if kind not in COLUMNAR:
        return {**content, "frame": kind}
    try:
        if kind == "totals":
            columns = columns_of(TOTALS, content["values"])
            return {"frame": kind, "pool": content["pool"], "columns": columns}
        if "totals" in content:
            columns = columns_of(OLD_ATTEMPTS, content["totals"])
            return {"frame": kind, "pool": content["pool"], "worker": content["thief"], **columns}
        values = (content["thief"], content["victim"], *content["added"])
        columns = columns_of(STEAL_ATTEMPTS, values)
        return {"frame": kind, "pool": content["pool"], "columns": columns}
    except (KeyError, TypeError, ValueError, OverflowError):
        raise Refused("its counts are damaged") from None


def rows_query(table: str) -> str:
    """Return the SQL that reads recorded rows: from one number on, up to another one."""
    columns = ", ".join(f'"{name}"' for name in TABLES[table].names)
    return f"SELECT {columns} FROM {RECORDED[table].name} WHERE id >= ? AND id < ? ORDER BY id"  # noqa: S608
