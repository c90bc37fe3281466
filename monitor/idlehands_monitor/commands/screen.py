"""Whether this terminal can take the full screen, and running it where it can."""

from __future__ import annotations

import gc
import os
import sys
from typing import TYPE_CHECKING

from .lines import follow
from .output import message

if TYPE_CHECKING:
    from ..session.session import Session


def has_screen() -> bool:
    """Say whether stdin and stdout are a terminal that can do more than print lines."""
    if os.environ.get("TERM", "dumb") in ("dumb", "", "unknown"):
        return False
    return sys.stdin.isatty() and sys.stdout.isatty()


def show(session: Session, *, lines: bool, seconds: float | None) -> None:
    """Show a session until the person quits or the time is up; without a screen also until it
    ends."""
    if not lines and has_screen():
        from ..views.terminal.app import Dashboard

        # Loaded modules stay; searching them for cycles again and again took a seventh of a frame.
        gc.freeze()
        session.names_causes = True
        Dashboard(session, seconds=seconds).run()
        return
    if not lines:
        message("this is no terminal for the full screen; printing a line a second instead")
    follow(session, seconds)
