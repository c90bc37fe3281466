"""From the target that a person typed to a session over it, or straight to a reading of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

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

    from ..model.changes import Question
    from ..model.reading import Reading
    from ..model.whatif import WhatIfReading

ONLY_CAPTURES = "--from and --to cut captures; for what runs there are --for and --past"


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


def read_target(
    target: str,
    seconds: float,
    *,
    past_s: float = 0.0,
    cut: Cut = WHOLE,
    causes: bool = True,
) -> Reading:
    """Return the reading of a capture, or of so many seconds of a running target.

    past_s: how much of the recent past of a running target is read, too. cut: the part of a capture
    that is read. causes: whether changes are simulated, so that findings are causes with gains.
    Raises CommandError.
    """
    feed = _fed(target, seconds, past_s, cut, MACHINE)
    reading = feed.reading()
    return named(feed.ledger, reading) if causes else reading


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
    feed = _fed(target, seconds, past_s, cut, machine)
    reading = feed.reading()
    if not reading.pools:
        return reading, None
    try:
        return reading, answered(feed.ledger, reading, question, progress)
    except WhatIfError as error:
        raise CommandError(f"{target}: {error}") from error


def _fed(target: str, seconds: float, past_s: float, cut: Cut, machine: Machine) -> Feed:
    """Return a feed that has taken in a capture, or a running target for some seconds.

    Its reading covers that part of the capture, or those seconds. Raises CommandError.
    """
    if is_file(target):
        return cut_feed(target, cut, machine)
    if not cut.is_whole:
        raise CommandError(f"{target}: {ONLY_CAPTURES}")
    feed = Feed(open_live(target, machine), None, keep=True, machine=machine)
    with Session(feed, machine) as session:
        session.watch(seconds, past_s)
    return feed
