"""`idlehands watch`: the dashboard of a process, a pool or a capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.errors import DONE
from ..session.feed import Feed
from .screen import show
from .targets import is_file, open_live, open_replay

if TYPE_CHECKING:
    import argparse

    from ..ingest.sources.status import Source


def run(options: argparse.Namespace) -> int:
    """Show the dashboard, or lines; status 0 when the person or the time ends it."""
    source: Source
    if options.target is not None and is_file(options.target):
        source = open_replay(options.target, options.speed)
    else:
        source = open_live(options.target)
    try:
        feed = Feed(source, int(options.window * 1e9))
        show(feed, lines=options.no_screen, seconds=options.seconds)
    finally:
        source.close()
    return DONE
