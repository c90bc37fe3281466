"""Following a session without a screen: a line a second on stdout, messages on stderr."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..session.session import POLL_SECONDS
from ..views.line import second_line
from . import output

if TYPE_CHECKING:
    from ..session.session import Session

LINE_SECONDS = 1.0


def follow(session: Session, seconds: float | None) -> None:
    """Print a line a second until the session is over, the time is up, or KeyboardInterrupt."""
    clock = session.machine.monotonic
    began = clock()
    due = began + LINE_SECONDS
    while True:
        finished = session.is_over  # asked before the last update, so that nothing is left behind
        session.update()
        now = clock()
        if finished or (seconds is not None and now - began >= seconds):
            break
        if now >= due:
            due += LINE_SECONDS
            _print_line(session)
        session.machine.sleep(POLL_SECONDS)
    _print_line(session)
    if session.warning:
        output.message(session.warning)


def _print_line(session: Session) -> None:
    output.write(second_line(session.reading(fresh=False)) + "\n")
