"""`idlehands explain`: the reading of a capture or a target as text, Markdown, JSON or HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.errors import DONE, NOTHING_TO_WATCH, CommandError
from ..session.captures import new_file
from ..session.last_states import last_state
from ..session.opening import read_target
from ..session.targets import is_file
from ..views.sections.head import nothing, skipped_lines
from .last_state import print_last_state
from .output import message, write
from .window import cut_of, refuse_for_capture

if TYPE_CHECKING:
    import argparse

    from ..model.reading import Reading

ATTACHED_SECONDS = 5.0


def run(options: argparse.Namespace) -> int:
    """Print the reading on stdout, or write the HTML file; of a process that has ended or does not
    answer, its last state."""
    try:
        return _explain(options)
    except CommandError as error:
        state = None
        if error.status == NOTHING_TO_WATCH and not is_file(options.target):
            state = last_state(options.target)
        if state is None:
            raise
        message(str(error), options.command)
    print_last_state(state, options)
    return DONE


def _explain(options: argparse.Namespace) -> int:
    if options.html:
        # The file is made before anything is read, so that no hour of watching is for nothing.
        with new_file(options.html, replace=options.force) as file:
            from ..views.html import render as render_html

            file.write(render_html(_read(options)).encode())
        return DONE
    reading = _read(options)
    if options.json:
        from ..views.json import pieces

        for piece in pieces(reading):
            write(piece)
    elif options.markdown:
        from ..views.markdown import render as render_markdown

        write(render_markdown(reading))
    else:
        from ..views.text import explain

        write(explain(reading))
    return DONE


def _read(options: argparse.Namespace) -> Reading:
    """Return the reading of the target. Raises CommandError, status 3, where no pool is found."""
    refuse_for_capture(options, is_capture=is_file(options.target))
    reading = read_target(
        options.target,
        options.seconds or ATTACHED_SECONDS,
        past_s=options.past,
        cut=cut_of(options),
        causes=not options.no_gains,
    )
    if reading.source.warning:
        message(f"{options.target}: {reading.source.warning}")
    for line in skipped_lines(reading):
        message(f"{options.target}: {line}")
    if not reading.pools and not reading.external:
        raise CommandError(f"{options.target}: {nothing(reading)}", NOTHING_TO_WATCH)
    return reading
