"""From the target that a person typed to a session over it, or straight to a reading of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .feed import Feed
from .machine import MACHINE, Machine
from .session import Session
from .targets import is_file, open_live, open_replay

if TYPE_CHECKING:
    from ..model.reading import Reading


def open_session(
    target: str | None, window_ns: int | None, speed: float = 1.0, machine: Machine = MACHINE
) -> Session:
    """Return a session over a capture, a process or a pool; None stands for the only pool there is.

    window_ns: the time that readings cover, None for all that is held. speed: of a replay. Raises
    CommandError: status 3 when there is nothing to watch, 2 when it is not clear what is meant.
    """
    if target is not None and is_file(target):
        return Session(Feed(open_replay(target, speed), window_ns, machine=machine), machine)
    return Session(Feed(open_live(target, machine), window_ns, machine=machine), machine)


def read_capture(path: str) -> Reading:
    """Return the reading of a whole capture. Raises CommandError."""
    source = open_replay(path)
    feed = Feed(source, None, keep=True)
    source.play_all()
    feed.update()
    return feed.reading()


def read_live(target: str, seconds: float, machine: Machine = MACHINE) -> Reading:
    """Attach for some seconds; return the reading of the last so many that are complete.

    Raises CommandError.
    """
    source = open_live(target, machine)
    feed = Feed(source, int(seconds * 1e9), keep=True, machine=machine)
    with Session(feed, machine) as session:
        session.pass_time(seconds, session.update)
        session.update()
        return session.reading()


def read_target(target: str, seconds: float) -> Reading:
    """Return the reading of a whole capture, or of so many seconds of a running target.

    Raises CommandError.
    """
    return read_capture(target) if is_file(target) else read_live(target, seconds)
