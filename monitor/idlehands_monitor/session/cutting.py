"""Cutting a capture: from the bounds that a person typed to a feed that has read that part of it.

The file is read from its beginning, since a reading depends on all that came before, and no further
than it must. What bounds mean is found first, by a pass that decodes no rows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..analysis.windows import recorded_span
from ..model.errors import CommandError
from .captures import command_errors
from .feed import Feed
from .machine import MACHINE, Machine
from .recorded_run import BEGINNING_NS, END_NS, run_of, said, timestamp_of
from .targets import open_replay

if TYPE_CHECKING:
    from ..ingest.sources.replay import ReplaySource
    from ..ledger import Ledger
    from ..model.bounds import Cut
    from .recorded_run import Run

LATE_NS = 1_000_000_000
"""Frames of a moment are in a capture at most so long after it: the probe sends several times a
second, and a second of worker time needs samples of the host from behind its end."""


def cut_feed(path: str, cut: Cut, machine: Machine = MACHINE) -> Feed:
    """Return a feed that has read a part of a capture; its readings cover that part.

    Raises CommandError, status 2, where nothing was recorded there or a bound means nothing.
    """
    source = open_replay(path)
    feed = Feed(source, None, keep=True, machine=machine)
    if cut.is_whole:
        source.play_all()
        feed.update()
        return feed
    with command_errors():
        run = run_of(source.again(), machine)
    begin_ns, end_ns = (
        timestamp_of(bound, run, path) if bound is not None else None for bound in cut
    )
    _read(feed, source, end_ns)
    for mark in run.marks:
        feed.ledger.add_mark(mark)
    window = _window(begin_ns, end_ns, feed.ledger.window)
    _check(feed.ledger, run, window, path)
    feed.ledger.window = window
    source.cut()
    return feed


def _window(
    begin_ns: int | None, end_ns: int | None, recorded: tuple[int, int] | None
) -> tuple[int, int]:
    """Return the window from one bound to the other.

    recorded: the window that the capture was asked for. It has the bound that is missing, unless
    nothing would be left of it.
    """
    low, high = recorded or (BEGINNING_NS, END_NS)
    if begin_ns is None:
        begin_ns = low if end_ns is None or low < end_ns else BEGINNING_NS
    if end_ns is None:
        end_ns = high if begin_ns < high else END_NS
    return begin_ns, end_ns


def _read(feed: Feed, source: ReplaySource, end_ns: int | None) -> None:
    """Read a capture up to a timestamp, and of the host a little further; None: to the end.

    Of each pool the levels are then those of the timestamp, and not of the end of the capture.
    """
    while (frames := source.next_block()) is not None:
        if end_ns is None or source.head_ns <= end_ns:
            feed.take(frames)
            continue
        ledger = feed.ledger
        if source.head_ns > end_ns + LATE_NS:
            return
        for frame in frames:
            if ledger.begins_anew(frame):
                return
            pool = ledger.pool_of(frame)
            if pool is None or pool.complete_ns < end_ns:
                ledger.apply(frame)
        feed.take([])  # keeps the bounds on memory


def _check(ledger: Ledger, run: Run, window: tuple[int, int], path: str) -> None:
    """Raise CommandError where a window is empty, or nothing was recorded in it."""
    begin_ns, end_ns = window
    clock = run.clock
    if clock is None:
        return  # there is nothing at all, which the command says
    if begin_ns >= end_ns:
        begin, end = said(clock, begin_ns), said(clock, end_ns)
        raise CommandError(f"{path}: a window that begins at {begin} cannot end at {end}")
    low, high = recorded_span(ledger) or (run.begin_ns, -1)
    if begin_ns >= high or end_ns <= low:
        # Reading has stopped at the end of the window, and the capture goes on.
        begin, end = said(clock, low), said(clock, max(high, run.end_ns))
        raise CommandError(
            f"{path}: nothing was recorded in that window; the capture is from {begin} to {end}"
        )
