"""One sitting over one source: what a screen or a command holds, and everything that it may ask
for.

The session takes in what has come and makes readings of it; pauses; goes to timestamps of a
capture; begins and ends captures; reads stacks; and keeps the lines that tell a person about it.
The holder of a session touches no source, file, process or clock. The state of the stream
(`StreamState`) is in `Reading.source`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..ingest.sources.replay import AT_END
from ..model.vocabulary import StreamState
from .captures import CaptureControl, command_errors
from .causes import Causes
from .jumps import Jumps
from .machine import MACHINE, Machine
from .seek import Replay
from .stacks import Stack, read_stack
from .whatif import WhatIf

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..ledger import Ledger
    from ..model.reading import PoolReading, Reading
    from .feed import Feed

MESSAGE_SECONDS = 6.0
"""How long a line about what has just happened is shown."""
POLL_SECONDS = 0.1


@dataclass(frozen=True, slots=True)
class Notices:
    """The lines of a session besides its reading; each is "" where there is nothing to say.

    message: what has just happened. capture: the path of an open capture that a key began. place:
    where a jump has taken a replay, until it is paused or goes on.
    """

    message: str = ""
    capture: str = ""
    place: str = ""


def _nothing() -> None:
    """Stand in for a screen."""


class Session:
    """Holds a feed, and everything that is asked of it. A context manager that closes the source.

    feed: replaced by a jump. what_if: the question what changes would gain. is_paused: whether the
    reading is to be held still. names_causes: whether findings are to be causes, for which changes
    are simulated now and then. on_change: called when the notices have changed; without it a screen
    shows them with its next reading.
    """

    def __init__(self, feed: Feed, machine: Machine = MACHINE) -> None:
        self.feed = feed
        self.machine = machine
        self.what_if = WhatIf(self._recorded)
        self.is_paused = False
        self.names_causes = False
        self.on_change: Callable[[], None] = _nothing
        self._causes = Causes(WhatIf(self._recorded), machine.monotonic)
        self._captures = CaptureControl(machine)
        self._jumps = Jumps(machine)
        self._message, self._message_until = "", 0.0
        self._place = ""

    # -- the stream ------------------------------------------------------------------------------

    @property
    def is_replay(self) -> bool:
        """Whether a capture is played, so that a jump can go to its timestamps."""
        return isinstance(self.feed.source, Replay)

    @property
    def is_over(self) -> bool:
        """Whether nothing more will come."""
        status = self.feed.source.status
        return status.state == StreamState.ENDED or status.note == AT_END

    @property
    def has_ended(self) -> bool:
        """Whether the process has ended, or was lost."""
        return self.feed.source.status.state == StreamState.ENDED

    @property
    def warning(self) -> str:
        """What is wrong with the stream or with its open capture, "" for nothing."""
        return self.feed.source.status.warning

    def update(self) -> bool:
        """Take in what has come, paused or not; return whether anything has."""
        return self.feed.update()

    def reading(self, *, fresh: bool = True) -> Reading:
        """Return the reading of now.

        Without `fresh` the verdicts on promises, stealing and queueing may be some seconds old.
        """
        reading = self.feed.reading(fresh=fresh)
        return self._causes.of(reading) if self.names_causes else reading

    def pass_time(self, seconds: float | None, each: Callable[[], object]) -> None:
        """Call `each` again and again until the process ends or `seconds`, if given, are over."""
        machine = self.machine
        deadline = None if seconds is None else machine.monotonic() + seconds
        while not self.has_ended and (deadline is None or machine.monotonic() < deadline):
            each()
            machine.sleep(POLL_SECONDS)

    def pause(self) -> None:
        """Hold the reading and a replay still, or let both go on; a live stream goes on anyway."""
        self.is_paused = not self.is_paused
        self.feed.source.pause(self.is_paused)
        self._place = ""

    def stop(self) -> None:
        """Have a jump and a simulation that are under way end soon."""
        self._jumps.stop()
        self.what_if.cancel()
        self._causes.close()

    def close(self) -> None:
        """End the stream; an open capture is closed whole."""
        self.stop()
        self.feed.source.close()

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    # -- notices ---------------------------------------------------------------------------------

    @property
    def notices(self) -> Notices:
        """What there is to say now."""
        is_said = self.machine.monotonic() < self._message_until
        return Notices(self._message if is_said else "", self._captures.path, self._place)

    def say(self, message: str) -> None:
        """Show a message for `MESSAGE_SECONDS`; "" takes back the present one."""
        self._message = message
        self._message_until = self.machine.monotonic() + MESSAGE_SECONDS
        self.on_change()

    # -- what a key or a command asks for --------------------------------------------------------

    async def jump(self, code: str, step: int, pool: PoolReading | None) -> bool:
        """Go `step` timestamps of a broken promise on, "" for the promise gone through last.

        Return whether that leads anywhere: then the session is paused there. Else a notice says
        why not. pool: the pool whose promise it is.
        """
        arrival = await self._jumps.go(self.feed, pool, code, step, self.say)
        if arrival is None:
            return False
        self.feed, self.is_paused, self._place = arrival.feed, True, arrival.place
        self._message = ""
        return True

    async def toggle_capture(self) -> None:
        """Begin a capture with the recent past in it, or end the one that is open."""
        message = await self._captures.toggle(self.feed.source)
        if message:
            self.say(message)

    def start_capture(self, path: str, *, replace: bool, most_bytes: int | None = None) -> None:
        """Begin a capture that a command asks for, the recent past first. Raises CommandError."""
        with command_errors():
            self.feed.source.start_capture(path, replace=replace, most_bytes=most_bytes)
        self._captures.asked_path = path

    def record(self, seconds: float | None) -> None:
        """Let the source write its capture until the process ends or `seconds` are over.

        With `seconds` the capture says that it covers these. The frames are written; no reading is
        made of them.
        """
        source = self.feed.source
        if seconds is not None:
            begin_ns, length_ns = int(self.machine.monotonic() * 1e9), int(seconds * 1e9)
            source.note({"frame": "window", "begin_ns": begin_ns, "length_ns": length_ns})
        self.pass_time(seconds, source.drain)

    def stop_capture(self) -> None:
        """End the capture that a command began. Raises CommandError."""
        with command_errors():
            self.feed.source.stop_capture()
        self._captures.asked_path = ""

    def _recorded(self) -> tuple[Ledger, Reading]:
        return self.feed.ledger, self.feed.reading()

    async def stack(self, pid: int, native_id: int, ident: int) -> Stack:
        """Return the present stack of one thread; pid -1 stands for a process that does not run."""
        return await read_stack(self.machine, pid, native_id, ident)
