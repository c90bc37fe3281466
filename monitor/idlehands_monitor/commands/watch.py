"""`idlehands watch`: the dashboard of a process, a pool or a capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.errors import DONE
from ..session.opening import open_session
from .screen import show

if TYPE_CHECKING:
    import argparse


def run(options: argparse.Namespace) -> int:
    """Show the dashboard, or lines; status 0 when the person or the time ends it."""
    window_ns = int(options.window * 1e9)
    stacks = options.takes_stacks
    with open_session(options.target, window_ns, options.speed, takes_stacks=stacks) as session:
        show(session, lines=options.no_screen, seconds=options.seconds)
    return DONE
