"""`idlehands check`: hold a capture to limits, for a job that runs unattended."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from ..model.errors import CHECK_FAILED, DONE
from ..session.captures import new_file
from ..session.checking import checked
from ..views.sections.check import check
from ..views.text import page
from .limits import limits_of
from .output import message, write

if TYPE_CHECKING:
    import argparse


def run(options: argparse.Namespace) -> int:
    """Print each limit and what was found; status 1 where one is broken."""
    limits = limits_of(options.limit, options.no_finding, options.gain_below, options.pool)
    with contextlib.ExitStack() as stack:
        # The file is made before anything is read, as for every report.
        file = options.junit and stack.enter_context(new_file(options.junit, replace=options.force))
        reading, found = checked(options.target, limits)
        if reading.source.warning:
            message(f"{options.target}: {reading.source.warning}")
        if file:
            from ..views.junit import render

            file.write(render(options.target, found))
    write(page(check(options.target, found)))
    return DONE if all(one.holds for one in found) else CHECK_FAILED
