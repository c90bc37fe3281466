"""`idlehands explain`: the reading of a capture or a running target, as text, JSON or HTML."""

from __future__ import annotations

from time import monotonic, sleep
from typing import TYPE_CHECKING

from ..ingest.files import FileError, NewFile
from ..model.errors import DONE, NOTHING_TO_WATCH, CommandError
from ..session.feed import Feed
from ..views.formatting import nothing, safe, skipped_lines
from .output import message, write
from .targets import is_file, open_live, open_replay

if TYPE_CHECKING:
    import argparse

    from ..model.reading import Reading

POLL_SECONDS = 0.1


def run(options: argparse.Namespace) -> int:
    """Print the reading on stdout, or write the HTML file."""
    if options.html:
        try:
            # Made before anything is read: an hour of watching is not for nothing.
            with NewFile(options.html, replace=options.force) as file:
                from ..views.html import render as render_html

                file.write(safe(render_html(_read(options))).encode())
        except FileError as error:
            raise CommandError(str(error)) from error
        return DONE
    reading = _read(options)
    if options.json:
        from ..views.json import pieces

        for piece in pieces(reading):
            write(piece)
    else:
        from ..views.text import explain

        write(explain(reading))
    return DONE


def _read(options: argparse.Namespace) -> Reading:
    """Return the reading of the target. Raises CommandError, status 3, where it shows no pool."""
    if is_file(options.target):
        reading = read_capture(options.target)
    else:
        reading = read_live(options.target, options.seconds)
    if reading.source.warning:
        message(f"{options.target}: {reading.source.warning}")
    for line in skipped_lines(reading):
        message(f"{options.target}: {line}")
    if not reading.pools and not reading.sampled:
        raise CommandError(f"{options.target}: {nothing(reading)}", NOTHING_TO_WATCH)
    return reading


def read_capture(path: str) -> Reading:
    """Return the reading of a whole capture."""
    source = open_replay(path)
    feed = Feed(source, None, keep=True)
    source.play_all()
    feed.update()
    return feed.reading()


def read_live(target: str, seconds: float) -> Reading:
    """Attach for some seconds; return the reading of the last so many that are complete."""
    source = open_live(target)
    try:
        feed = Feed(source, int(seconds * 1e9), keep=True)
        deadline = monotonic() + seconds
        while monotonic() < deadline and source.status.state != "ended":
            feed.update()
            sleep(POLL_SECONDS)
        feed.update()
        return feed.reading()
    finally:
        source.close()
