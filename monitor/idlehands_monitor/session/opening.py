"""From the target that a person typed to a session over it, or straight to a reading of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..analysis.asking import by_shares
from ..analysis.places.places import Places
from ..analysis.whatif.planning import WhatIfError
from ..model.bounds import WHOLE, Cut
from ..model.errors import CommandError
from .causes import named
from .cutting import cut_feed
from .feed import Feed
from .machine import MACHINE, Machine
from .session import Session
from .targets import is_file, open_live, open_replay
from .whatif import answered

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..ledger import Ledger
    from ..model.changes import Question
    from ..model.reading import Reading
    from ..model.whatif import WhatIfReading

ONLY_CAPTURES = "--from and --to cut captures; for what runs there are --for and --past"
NOT_ASKED = "nothing was simulated"


def open_session(
    target: str | None,
    window_ns: int | None,
    speed: float = 1.0,
    machine: Machine = MACHINE,
    *,
    takes_stacks: bool = True,
) -> Session:
    """Return a session over a capture, a process or a pool; None stands for the only pool there is.

    window_ns: the time that readings cover, None for all that is held. speed: of a replay.
    takes_stacks: whether stacks of a live job may be taken. Raises CommandError: status 3 when
    there is nothing to watch, 2 when it is not clear what is meant.
    """
    if target is not None and is_file(target):
        return Session(Feed(open_replay(target, speed), window_ns, machine=machine), machine)
    live = open_live(target, machine, takes_stacks=takes_stacks)
    return Session(Feed(live, window_ns, machine=machine), machine)


def read_target(
    target: str,
    seconds: float,
    *,
    past_s: float = 0.0,
    cut: Cut = WHOLE,
    causes: bool = True,
    takes_stacks: bool = True,
) -> Reading:
    """Return the reading of a capture, or of so many seconds of a running target.

    past_s: how much of the recent past of a running target is read, too. cut: the part of a capture
    that is read. causes: whether changes are simulated, so that findings are causes with gains.
    takes_stacks: whether stacks of a running target may be taken. Raises CommandError.
    """
    feed = _fed(target, seconds, past_s, cut, takes_stacks=takes_stacks)
    reading = feed.reading()
    found = named(feed.ledger, reading) if causes else by_shares(reading, NOT_ASKED)
    return Places().added(feed.ledger, found)


def read_capture(path: str, *, causes: bool = True) -> tuple[Ledger, Reading]:
    """Return the ledger and the reading of a whole capture, with causes as in `read_target`.

    Raises CommandError, also where `path` is no capture file.
    """
    if not is_file(path):
        raise CommandError(f"{path}: no such capture file")
    feed = _fed(path, 0.0, 0.0, WHOLE, takes_stacks=False)
    reading = feed.reading()
    return feed.ledger, named(feed.ledger, reading) if causes else by_shares(reading, NOT_ASKED)


def what_if(
    target: str,
    seconds: float,
    question: Question,
    progress: Callable[[float], None],
    *,
    past_s: float = 0.0,
    cut: Cut = WHOLE,
    machine: Machine = MACHINE,
) -> tuple[Reading, WhatIfReading | None]:
    """Return the reading of a capture, or of some seconds of a running target, and the answers to a
    question about it; None where it has no pool. past_s, cut: as in `read_target`.

    Raises CommandError, also where the question cannot be answered.
    """
    feed = _fed(target, seconds, past_s, cut, machine, takes_stacks=False)
    reading = feed.reading()
    if not reading.pools:
        return reading, None
    try:
        return reading, answered(feed.ledger, reading, question, progress)
    except WhatIfError as error:
        raise CommandError(f"{target}: {error}") from error


def _fed(
    target: str,
    seconds: float,
    past_s: float,
    cut: Cut,
    machine: Machine = MACHINE,
    *,
    takes_stacks: bool,
) -> Feed:
    """Return a feed that has taken in a capture, or a running target for some seconds.

    Its reading covers that part of the capture, or those seconds. Raises CommandError.
    """
    if is_file(target):
        return cut_feed(target, cut, machine)
    if not cut.is_whole:
        raise CommandError(f"{target}: {ONLY_CAPTURES}")
    live = open_live(target, machine, takes_stacks=takes_stacks)
    feed = Feed(live, None, keep=True, machine=machine)
    with Session(feed, machine) as session:
        session.watch(seconds, past_s)
    return feed
