"""Going through the timestamps at which a promise was broken, one after the other, in a replay.

The capture is read on another thread, so that keys answer meanwhile. Only one jump is under way at
a time.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from ..ingest.capture import CaptureError
from .seek import Replay, Stopped, Timestamps, broken_timestamps, feed_at

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..model.reading import PoolReading
    from .feed import Feed
    from .machine import Machine

ONLY_REPLAYS = "only a replay goes to a moment: idlehands watch FILE"
CHOOSE_FIRST = "press s, choose a promise, then j goes to the moments at which it was broken"
READS_CAPTURE = "reading the capture for the moments at which promises were broken"


@dataclass(frozen=True, slots=True)
class Arrival:
    """Where a jump has led: a feed that is paused there, and a line that says where that is."""

    feed: Feed
    place: str


class Jumps:
    """The promise whose timestamps a person goes through, and the timestamp that is shown.

    The timestamps are read once and hold for the whole session: the capture does not change.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._timestamps: Timestamps | None = None
        self._code = ""
        self._place = -1
        self._is_going = False
        self._stopped = threading.Event()

    def stop(self) -> None:
        """Have the other thread end soon: the program ends only after it."""
        self._stopped.set()

    async def go(
        self,
        feed: Feed,
        pool: PoolReading | None,
        code: str,
        step: int,
        say: Callable[[str], None],
    ) -> Arrival | None:
        """Go `step` timestamps on from the one shown; "" for `code` keeps the promise.

        Return where that leads. Return None where it leads nowhere, and give the reason to `say`.
        pool: whose promise it is.
        """
        source = feed.source
        if not isinstance(source, Replay):
            say(ONLY_REPLAYS)
        elif not (code or self._code):
            say(CHOOSE_FIRST)
        elif pool is not None and feed.window_ns is not None and not self._is_going:
            if code and code != self._code:
                self._code, self._place = code, -1
            self._is_going = True
            try:
                return await self._go(source, feed.window_ns, pool, step, say)
            except Stopped:
                pass
            except (CaptureError, OSError) as error:  # the file is gone, or another file now
                say(str(error))
            finally:
                self._is_going = False
        return None

    async def _go(
        self,
        source: Replay,
        window_ns: int,
        pool: PoolReading,
        step: int,
        say: Callable[[str], None],
    ) -> Arrival | None:
        on_thread, stopped = self._machine.on_thread, self._stopped.is_set
        if self._timestamps is None:
            say(READS_CAPTURE)
            self._timestamps = await on_thread(
                partial(broken_timestamps, source.again(), window_ns, stopped)
            )
        timestamps = self._timestamps.get((pool.number, self._code), ())
        what = next((one.what for one in pool.promises if one.code == self._code), self._code)
        if not timestamps:
            say(f"not broken in this capture, or not judged: {what}")
            return None
        self._place = max(0, min(len(timestamps) - 1, self._place + step))
        there = timestamps[self._place]
        feed = await on_thread(
            partial(feed_at, source.again(), window_ns, pool.number, there, stopped, self._machine)
        )
        into_s = (there - source.first_ns) / 1e9
        where = f"{into_s:.2f} s into" if into_s >= 0 else f"{-into_s:.2f} s before"
        place = f"broken moment {self._place + 1} of {len(timestamps)}"
        return Arrival(feed, f"{where} the capture, {place}: {what}")
