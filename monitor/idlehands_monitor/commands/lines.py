"""Following a source without a screen: a line a second on stdout, messages on stderr."""

from __future__ import annotations

from time import monotonic, sleep
from typing import TYPE_CHECKING

from ..views.text import second_line
from . import output

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..session.feed import Feed

LINE_SECONDS = 1.0
POLL_SECONDS = 0.1


def follow(
    feed: Feed,
    seconds: float | None,
    over: Callable[[], bool],
    write: Callable[[str], object] | None = None,
) -> None:
    """Print a line a second until `over`, the time is up, or ctrl+c (KeyboardInterrupt)."""
    say = write or _print
    began = monotonic()
    due = began + LINE_SECONDS
    while True:
        finished = over()  # asked before the last drain, so that nothing is left behind
        feed.update()
        now = monotonic()
        if finished or (seconds is not None and now - began >= seconds):
            break
        if now >= due:
            due += LINE_SECONDS
            say(second_line(feed.reading(fresh=False)))
        sleep(POLL_SECONDS)
    say(second_line(feed.reading(fresh=False)))


def _print(line: str) -> None:
    output.write(line + "\n")
