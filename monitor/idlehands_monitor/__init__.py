"""The monitor of idlehands: sources, ledger, analysis, readings and views. See DEVELOPERS.md.

`load` gives the tables of a capture to other programs; docs/exporting.md describes them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from os import PathLike

    from .ingest.exports.loading import Tables

__all__ = ["load"]


def load(path: str | PathLike[str]) -> Tables:
    """Return the tables of a capture, or of an SQLite export, as columns of numpy.

    ``load("a.idlehands")["tasks"]`` is a map of columns, each an array of shape (rows,), which
    ``pandas.DataFrame`` and ``polars.DataFrame`` take as it is. Times are in nanoseconds of the
    host's monotonic clock, -1 stands for nobody, nothing, or not read; the table ``dictionary`` has
    the unit and the meaning of every column. The whole file is read into memory.

    Raises CaptureError, a ValueError, in one line where the file cannot be read.
    """
    from .session.exporting import load as load_here

    return load_here(path)
