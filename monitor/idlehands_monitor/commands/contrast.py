"""`idlehands contrast`: what differs between captures before and captures after."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.errors import DONE, CommandError
from ..model.whatif import Arrivals
from ..session.captures import new_file
from ..session.contrast import compared
from ..views.sections.contrast import contrast
from ..views.sections.head import skipped_lines
from .output import message, write

if TYPE_CHECKING:
    import argparse

    from ..model.contrast import ContrastReading
    from ..model.reading import Reading

TWO_SIDES = "two captures, or captures on both sides of --against, can be compared"


def run(options: argparse.Namespace) -> int:
    """Print the comparison on stdout, or write the HTML file."""
    before, after = sides(options.captures, options.against)
    if options.html:
        with new_file(options.html, replace=options.force) as file:
            from ..views.html import page

            reading = _compared(before, after, options)
            title = f"{reading.before[0].target}, {reading.after[0].target}"
            file.write(page(title, contrast(reading)).encode())
        return DONE
    reading = _compared(before, after, options)
    if options.json:
        from ..views.contrast_json import render

        write(render(reading))
    elif options.markdown:
        from ..views.markdown import page as markdown_page

        write(markdown_page(contrast(reading)))
    else:
        from ..views.text import page as text_page

        write(text_page(contrast(reading)))
    return DONE


def sides(captures: list[str], against: list[str] | None) -> tuple[list[str], list[str]]:
    """Return the captures before and after. Raises CommandError where one side has none."""
    if against is not None:
        return captures, against
    if len(captures) != 2:
        raise CommandError(f"{len(captures)} given, but {TWO_SIDES}")
    return captures[:1], captures[1:]


def _compared(before: list[str], after: list[str], options: argparse.Namespace) -> ContrastReading:
    arrivals = Arrivals(options.arrivals) if options.arrivals else None
    return compared(before, after, _say, arrivals, causes=not options.no_gains)


def _say(path: str, reading: Reading) -> None:
    if reading.source.warning:
        message(f"{path}: {reading.source.warning}")
    for line in skipped_lines(reading):
        message(f"{path}: {line}")
