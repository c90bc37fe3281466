"""`idlehands export`: a recording as the files of other programs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.errors import DONE, NOTHING_TO_WATCH, CommandError
from ..model.export_form import ExportForm
from ..session.exporting import export
from ..session.targets import is_file
from ..views.foreign_text import safe_line
from .output import message

if TYPE_CHECKING:
    import argparse


def run(options: argparse.Namespace) -> int:
    """Export a file that holds a recording."""
    path, target = options.file, options.output
    if not is_file(path):
        raise CommandError(f"{path}: there is no such file", NOTHING_TO_WATCH)
    form = ExportForm(options.to)
    warning = export(path, form, target, replace=options.force, clean=safe_line)
    if warning:
        message(f"{path}: {warning}")
    message(f"wrote {target}")
    return DONE
