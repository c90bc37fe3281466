"""Whether this terminal can take the full screen, and running it where it can."""

from __future__ import annotations

import gc
import os
import sys
from typing import TYPE_CHECKING

from ..ingest.sources.replay import AT_END
from .lines import follow
from .output import message

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..session.feed import Feed


def has_screen() -> bool:
    """Say whether stdin and stdout are a terminal that can do more than print lines."""
    if os.environ.get("TERM", "dumb") in ("dumb", "", "unknown"):
        return False
    return sys.stdin.isatty() and sys.stdout.isatty()


def show(
    feed: Feed, *, lines: bool, seconds: float | None, over: Callable[[], bool] | None = None
) -> None:
    """Show a feed until the person quits, the time is up, or (without a screen) it is over.

    `over` says for the lines when to stop; by default when the source has ended.
    """
    if not lines and has_screen():
        from ..views.terminal.app import Dashboard

        # All that is loaded stays; looking through it again and again took a seventh of a frame.
        gc.freeze()
        Dashboard(feed, seconds=seconds).run()
        return
    if not lines:
        message("this is no terminal for the full screen; printing a line a second instead")

    def ended() -> bool:
        status = feed.source.status
        return status.state == "ended" or status.note == AT_END

    follow(feed, seconds, over or ended)
