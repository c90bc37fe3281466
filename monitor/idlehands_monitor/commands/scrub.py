"""`idlehands scrub`: a copy of a capture without private names."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.errors import DONE, NOTHING_TO_WATCH, CommandError
from ..session.scrubbing import scrub
from ..session.targets import is_file
from .output import message

if TYPE_CHECKING:
    import argparse


def run(options: argparse.Namespace) -> int:
    """Scrub a file that holds a recording."""
    path, target = options.file, options.output
    if not is_file(path):
        raise CommandError(f"{path}: there is no such file", NOTHING_TO_WATCH)
    found = scrub(path, target, options.key, replace=options.force)
    if found.warning:
        message(f"{path}: {found.warning}")
    if found.removed:
        parts = ", ".join(f"{count} of {kind}" for kind, count in sorted(found.removed.items()))
        message(f"removed frames: {parts}")
    message(f"wrote {target}; {found.key} leads back to the names, keep it to yourself")
    return DONE
