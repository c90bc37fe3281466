"""Exports of a recording to the files of other programs, and to columns in memory.

A recording is read once or twice from its beginning to its end, portion by portion; an export holds
no more of it than names, and two integers for each task that another task spawned.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from idlehands import __version__

from ..ingest.exports.csv_writing import FILES as CSV_FILES
from ..ingest.exports.csv_writing import CsvExport
from ..ingest.exports.loading import Tables, load_tables
from ..ingest.exports.parquet_writing import FILES as PARQUET_FILES
from ..ingest.exports.parquet_writing import ParquetExport, arrow_modules
from ..ingest.exports.pool_names import PoolNames
from ..ingest.exports.spans import SpanNames, spans
from ..ingest.exports.sqlite_writing import SqliteExport
from ..ingest.exports.timeline import timeline
from ..ingest.exports.writing import export_tables
from ..ingest.files import NewFile
from ..ingest.folders import NewFolder
from ..ingest.sources.replay import checked_blocks, open_recording
from ..model.errors import CommandError
from ..model.export_form import ExportForm
from .captures import command_errors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from os import PathLike

    from ..ingest import CheckedFrame

WRITTEN_LETTERS = 1 << 20
NO_WALL_CLOCK = "says nothing of the wall clock, so the times of the spans count from 1970 on"


def load(path: str | PathLike[str]) -> Tables:
    """Return the tables of the recording at `path`. Raises CaptureError in one line."""
    reader = open_recording(os.fspath(path))
    tables = load_tables(checked_blocks(reader, reader.path), reader.facts)
    return Tables(tables, reader.warning)


def export(
    path: str, form: ExportForm, target: str, *, replace: bool, clean: Callable[[str], str]
) -> str:
    """Export the recording at `path` to a new file or folder `target`; return what is wrong, or "".

    clean: makes text of the job safe, for the forms that are text. Raises CommandError.
    """
    with command_errors():
        reader = open_recording(path)
        if os.path.exists(target) and os.path.samefile(path, target):
            raise CommandError(f"{target}: is the recording itself; give the export another name")
        found = ""
        if form is ExportForm.SQLITE:
            with NewFile(target, replace=replace) as file:
                export_tables(checked_blocks(reader, reader.path), reader.facts, SqliteExport(file))
        elif form is ExportForm.CSV:
            with NewFolder(target, CSV_FILES.values(), replace=replace) as folder:
                export_tables(
                    checked_blocks(reader, reader.path), reader.facts, CsvExport(folder, clean)
                )
        elif form is ExportForm.PARQUET:
            arrow_modules()  # before anything is made
            with NewFolder(target, PARQUET_FILES.values(), replace=replace) as folder:
                export_tables(
                    checked_blocks(reader, reader.path), reader.facts, ParquetExport(folder)
                )
        elif form is ExportForm.TRACE:
            _write(target, _trace(path, clean), replace=replace)
        else:
            known = SpanNames()
            for frame in _frames(path):
                known.take(frame)
            found = "" if known.knows_time else NO_WALL_CLOCK
            _write(target, spans(known, _frames(path), __version__, clean), replace=replace)
        return reader.warning or found


def _trace(path: str, clean: Callable[[str], str]) -> Iterator[str]:
    known = PoolNames()
    for frame in _frames(path):
        known.take(frame)
    return timeline(known, _frames(path), __version__, clean)


def _frames(path: str) -> Iterator[CheckedFrame]:
    """Yield the frames of the recording from its beginning."""
    for _, frames in checked_blocks(open_recording(path), path):
        yield from frames


def _write(target: str, pieces: Iterable[str], *, replace: bool) -> None:
    with NewFile(target, replace=replace) as file:
        held, letters = list[str](), 0
        for piece in pieces:
            held.append(piece)
            letters += len(piece)
            if letters >= WRITTEN_LETTERS:
                file.write("".join(held).encode())
                held, letters = [], 0
        file.write("".join(held).encode())
