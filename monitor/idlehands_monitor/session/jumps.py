"""Going to timestamps of a replay: typed ones, marks, findings, and those that broke a promise.

The capture is read on another thread, so that keys answer meanwhile. Only one jump is under way at
a time. Each pass over the capture leaves checkpoints, from which later jumps begin.
"""

from __future__ import annotations

import asyncio
import threading
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from ..ingest.capture import CaptureError
from ..model.bounds import parsed
from ..model.errors import CommandError
from ..model.run_clock import RunClock
from .checkpoints import Checkpoints
from .places import MARKS, NOWHERE, Place, Places, name_of, places_of, series_of
from .recorded_run import Run, run_of, timestamp_of
from .replay import Replay
from .seek import Landmarks, Stopped, feed_at, landmarks

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from ..model.reading import PoolReading
    from .feed import Feed
    from .machine import Machine

ONLY_REPLAYS = "only a replay goes to a moment: idlehands watch FILE"
CHOOSE_FIRST = "press s, choose a promise, then j goes to the moments at which it was broken"
FAR_NS = 120_000_000_000
"""To read so much of a capture may take a while."""
READS_ON = "reading the capture up to there"
READS_CAPTURE = "reading the capture for the moments at which promises were broken"


@dataclass(frozen=True, slots=True)
class Arrival:
    """Where a jump has led: a feed that is paused there, and a line that says where that is."""

    feed: Feed
    place: str


class Jumps:
    """The timestamps that a person goes through, and the one that is shown.

    What there is to go to is read once, and holds for the whole session: the capture does not
    change.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._landmarks: Landmarks | None = None
        self._reading: asyncio.Future[Landmarks] | None = None
        self._run: Run | None = None
        self._checkpoints = Checkpoints()
        self._code = ""
        self._place = -1
        self._is_going = False
        self._stopped = threading.Event()

    def stop(self) -> None:
        """Have the other threads end soon: the program ends only after them."""
        self._stopped.set()

    async def go(
        self,
        feed: Feed,
        pool: PoolReading | None,
        code: str,
        step: int,
        say: Callable[[str], None],
    ) -> Arrival | None:
        """Go `step` timestamps on from the one shown; "" for `code` keeps what was gone through.

        code: of a promise or a finding, or `places.MARKS`. Return where that leads. Return None
        where it leads nowhere, and give the reason to `say`. pool: whose promise or finding it is.
        """
        if isinstance(feed.source, Replay) and not (code or self._code):
            say(CHOOSE_FIRST)
            return None
        if code and code != self._code and not self._is_going:
            self._code, self._place = code, -1
        number = pool.number if pool is not None else -1
        return await self._one(feed, say, lambda source: self._go(source, feed, number, step, say))

    async def to_place(
        self, feed: Feed, place: Place, say: Callable[[str], None]
    ) -> Arrival | None:
        """Go to a place of the list; `go` then goes on from there."""

        async def work(source: Replay) -> Arrival | None:
            known = await self._known(source, feed, place.code)
            self._code = place.code
            self._place = series_of(known, place.pool, place.code).index(place.at_ns)
            which = name_of(known, place.pool, place.code, self._place)
            return await self._arrive(source, feed, place.pool, place.at_ns, say, which)

        return await self._one(feed, say, work)

    async def to_text(
        self, feed: Feed, pool: int, text: str, say: Callable[[str], None]
    ) -> Arrival | None:
        """Go to what a person typed: a second of the run, a local time or the note of a mark."""

        async def work(source: Replay) -> Arrival | None:
            run = await self.run(source)
            at_ns = timestamp_of(parsed(text), run, source.target)
            return await self._arrive(source, feed, pool, at_ns, say)

        return await self._one(feed, say, work)

    async def on(
        self, feed: Feed, pool: int, seconds: float, say: Callable[[str], None]
    ) -> Arrival | None:
        """Go some seconds on from where the replay is, or back."""

        async def work(source: Replay) -> Arrival | None:
            at_ns = min(int(source.head_ns), feed.ledger.latest_ns) + int(seconds * 1e9)
            return await self._arrive(source, feed, pool, max(at_ns, source.first_ns), say)

        return await self._one(feed, say, work)

    async def marks(self, feed: Feed, say: Callable[[str], None]) -> Places:
        """Return the marks, which take one quick pass; nothing where they cannot be read."""
        source = feed.source
        if not isinstance(source, Replay):
            say(ONLY_REPLAYS)
            return NOWHERE
        try:
            run = await self.run(source)
        except (CaptureError, OSError) as error:
            say(str(error))
            return NOWHERE
        return Places(places_of(Landmarks(marks=run.marks)), run.clock)

    async def places(self, feed: Feed, say: Callable[[str], None]) -> Places:
        """Return what there is to go to; nothing where it cannot be read."""
        source = feed.source
        if not isinstance(source, Replay):
            return NOWHERE
        try:
            clock = (await self.run(source)).clock
            return Places(places_of(await self.landmarks(source, feed)), clock)
        except Stopped:
            return NOWHERE
        except (CaptureError, OSError) as error:
            say(str(error))
            return NOWHERE

    async def run(self, source: Replay) -> Run:
        """Return the clock and the marks of the capture."""
        if self._run is None:
            read = partial(run_of, source.again(), self._machine)
            self._run = await self._machine.on_thread(read)
        return self._run

    async def _known(self, source: Replay, feed: Feed, code: str) -> Landmarks:
        """Return what is known of the places of one code: of marks without the long pass."""
        if code == MARKS and self._landmarks is None:
            return Landmarks(marks=(await self.run(source)).marks)
        return await self.landmarks(source, feed)

    async def landmarks(self, source: Replay, feed: Feed) -> Landmarks:
        """Return what there is to go to. Raises Stopped, CaptureError, OSError."""
        if self._landmarks is None:
            if self._reading is None:
                read = partial(
                    landmarks,
                    source.again(),
                    feed.window_ns or 0,
                    self._stopped.is_set,
                    self._checkpoints,
                )
                self._reading = asyncio.ensure_future(self._machine.on_thread(read))
            try:
                self._landmarks = await self._reading
            finally:
                self._reading = None
        return self._landmarks

    async def _one(
        self,
        feed: Feed,
        say: Callable[[str], None],
        work: Callable[[Replay], Awaitable[Arrival | None]],
    ) -> Arrival | None:
        """Do the work of one jump, unless another one is under way."""
        if not isinstance(feed.source, Replay):
            say(ONLY_REPLAYS)
        elif feed.window_ns is not None and not self._is_going:
            self._is_going = True
            try:
                return await work(feed.source)
            except Stopped:
                pass
            # The file is gone, or another file now; or what was typed means nothing.
            except (CaptureError, CommandError, OSError, ValueError) as error:
                say(str(error))
            finally:
                self._is_going = False
        return None

    async def _go(
        self,
        source: Replay,
        feed: Feed,
        pool: int,
        step: int,
        say: Callable[[str], None],
    ) -> Arrival | None:
        if self._landmarks is None and self._code != MARKS:
            say(READS_CAPTURE)
        known = await self._known(source, feed, self._code)
        timestamps = series_of(known, pool, self._code)
        if not timestamps:
            what = known.what.get(self._code, self._code)
            say(f"not broken in this capture, or not judged: {what}")
            return None
        self._place = max(0, min(len(timestamps) - 1, self._place + step))
        which = name_of(known, pool, self._code, self._place)
        return await self._arrive(source, feed, pool, timestamps[self._place], say, which)

    async def _arrive(
        self,
        source: Replay,
        feed: Feed,
        pool: int,
        at_ns: int,
        say: Callable[[str], None],
        which: str = "",
    ) -> Arrival:
        """Go to a timestamp; the replay goes on from there at the speed that it has."""
        stopped, left = self._stopped.is_set, self._checkpoints
        if left.before(at_ns, feed.window_ns) is None and at_ns - source.first_ns > FAR_NS:
            say(READS_ON)
        other = source.again()
        found = await self._machine.on_thread(
            partial(feed_at, other, feed.window_ns, pool, at_ns, stopped, self._machine, left)
        )
        for mark in self._run.marks if self._run is not None else ():
            found.ledger.add_mark(mark)
        clock = found.clock or RunClock(source.first_ns)
        where = f"{clock.second(at_ns):.2f} s of the run"
        return Arrival(found, f"{where}, {which}" if which else where)
