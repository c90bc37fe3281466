"""Going to the moments at which a promise was broken, one after the other, in a replay.

The file is read on another thread, so that keys answer meanwhile.
"""

from __future__ import annotations

import asyncio
import threading
from typing import TYPE_CHECKING

from ...ingest.capture import CaptureError
from ...ingest.sources.replay import ReplaySource
from ...session.seek import Moments, Stopped, broken_timestamps, feed_at

if TYPE_CHECKING:
    from .app import Dashboard

ONLY_REPLAYS = "only a replay goes to a moment: idlehands watch FILE"
CHOOSE_FIRST = "press s, choose a promise, then j goes to the moments at which it was broken"


class Jumps:
    """Which promise's moments are gone through, and which of them is shown."""

    def __init__(self, app: Dashboard) -> None:
        self._app = app
        self._moments: Moments | None = None
        self._code = ""
        self._place = -1
        self._going: asyncio.Task[None] | None = None
        self._stopped = threading.Event()

    def stop(self) -> None:
        """Have the other thread end soon: the program ends only after it."""
        self._stopped.set()

    def go(self, code: str, step: int) -> None:
        """Go `step` moments on of the promise `code`, "" for the one gone through last."""
        source = self._app.feed.source
        if not isinstance(source, ReplaySource):
            self._app.say(ONLY_REPLAYS)
        elif not (code or self._code):
            self._app.say(CHOOSE_FIRST)
        elif self._going is None or self._going.done():
            if code and code != self._code:
                self._code, self._place = code, -1
            self._going = asyncio.create_task(self._try(source, step))

    async def _try(self, source: ReplaySource, step: int) -> None:
        try:
            await self._go(source, step)
        except Stopped:
            pass
        except (CaptureError, OSError) as error:  # the file has gone, or is another one now
            self._app.say(str(error))

    async def _go(self, source: ReplaySource, step: int) -> None:
        app, pool = self._app, self._app.pool
        window_ns = app.feed.window_ns
        if pool is None or window_ns is None:
            return
        if self._moments is None:
            app.say("reading the capture for the moments at which promises were broken")
            self._moments = await asyncio.to_thread(
                broken_timestamps, source.again(), window_ns, self._stopped.is_set
            )
        moments = self._moments.get((pool.number, self._code), ())
        what = next((one.what for one in pool.promises if one.code == self._code), self._code)
        if not moments:
            app.say(f"not broken in this capture, or not judged: {what}")
            return
        self._place = max(0, min(len(moments) - 1, self._place + step))
        moment = moments[self._place]
        feed = await asyncio.to_thread(
            feed_at, source.again(), window_ns, pool.number, moment, self._stopped.is_set
        )
        into_s = (moment - source.first_ns) / 1e9
        where = f"{into_s:.2f} s into" if into_s >= 0 else f"{-into_s:.2f} s before"
        place = f"broken moment {self._place + 1} of {len(moments)}"
        app.jumped_to(feed, f"{where} the capture, {place}: {what}")
