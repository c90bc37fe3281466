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

from ..analysis.asking import by_shares
from ..analysis.places.places import Places
from ..ingest import limits
from ..ingest.sources.replay import AT_END
from ..model.vocabulary import StreamState
from .captures import CaptureControl, command_errors
from .causes import Causes
from .jumps import ONLY_REPLAYS, Arrival, Jumps
from .machine import MACHINE, Machine
from .reached import Reached
from .replay import Replay
from .stacks import Stack, read_stack
from .whatif import WhatIf

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..ledger import Ledger
    from ..model.reading import PoolReading, Reading
    from .feed import Feed
    from .stops import Stop, Stops

MESSAGE_SECONDS = 6.0
"""How long a line about what has just happened is shown."""
POLL_SECONDS = 0.1
SLOWEST, FASTEST = 1 / 64, 512.0
"""Speeds of a replay that keys reach."""
NOTE_LETTERS = limits.NOTE_LETTERS
MARKS_WHILE_RECORDING = "a mark is set while a job runs and is recorded, not in its replay"
MARKS_WHILE_RUNNING = "the process has ended; a mark is set while it runs"
LATEST_SECONDS = 2.0
"""The longest wait, after the end of a window, for the rows of it that are still on their way."""


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
        self._places = Places()
        self._captures = CaptureControl(machine)
        self._jumps = Jumps(machine)
        self._message, self._message_until = "", 0.0
        self._stop = ""
        self._marks = 0

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
        found = self._causes.of(reading) if self.names_causes else by_shares(reading)
        return self._places.added(self.feed.ledger, found)

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
        self._stop = ""

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
        return Notices(self._message if is_said else "", self._captures.path, self._stop)

    def say(self, message: str) -> None:
        """Show a message for `MESSAGE_SECONDS`; "" takes back the present one."""
        self._message = message
        self._message_until = self.machine.monotonic() + MESSAGE_SECONDS
        self.on_change()

    # -- going through a replay ------------------------------------------------------------------

    async def jump(self, code: str, step: int, pool: PoolReading | None) -> bool:
        """Go `step` timestamps of a broken promise on, "" for the promise gone through last.

        Return whether that leads anywhere: then the session is paused there. Else a notice says
        why not. pool: the pool whose promise it is.
        """
        return self._arrive(await self._jumps.go(self.feed, pool, code, step, self.say))

    async def go_to(self, where: Stop | str, pool: PoolReading | None) -> bool:
        """Go to a stop, or to what a person typed; return whether that leads anywhere."""
        if isinstance(where, str):
            number = pool.number if pool is not None else -1
            return self._arrive(await self._jumps.to_text(self.feed, number, where, self.say))
        return self._arrive(await self._jumps.to_stop(self.feed, where, self.say))

    async def step(self, seconds: float, pool: PoolReading | None) -> bool:
        """Go some seconds on in a replay, or back, and pause there."""
        number = pool.number if pool is not None else -1
        return self._arrive(await self._jumps.on(self.feed, number, seconds, self.say))

    async def marks(self) -> Stops:
        """Return the marks of a replay, soon; where there are none to find, a notice says why."""
        return await self._jumps.marks(self.feed, self.say)

    async def stops(self) -> Stops:
        """Return all that there is to go to in a replay."""
        return await self._jumps.stops(self.feed, self.say)

    def change_speed(self, factor: float) -> None:
        """Play a replay so many times as fast."""
        source = self.feed.source
        if not isinstance(source, Replay):
            self.say(ONLY_REPLAYS)
            return
        source.speed = min(FASTEST, max(SLOWEST, source.speed * factor))
        self.say(f"plays at {source.speed:g}×")

    def _arrive(self, arrival: Arrival | None) -> bool:
        if arrival is None:
            return False
        self.feed, self.is_paused, self._stop = arrival.feed, True, arrival.stop
        self._message = ""
        return True

    # -- what a key or a command asks for --------------------------------------------------------

    def can_mark(self) -> bool:
        """Return whether a mark can be set now; else a notice says why not."""
        if self.is_replay:
            self.say(MARKS_WHILE_RECORDING)
        elif self.has_ended:
            self.say(MARKS_WHILE_RUNNING)
        return not self.is_replay and not self.has_ended

    def mark(self, note: str, at_ns: int) -> None:
        """Set a mark: it goes into the stream, the recent history and an open capture."""
        if not self.can_mark():
            return
        self._marks += 1
        note = note.strip()[: limits.NOTE_LETTERS] or f"mark {self._marks}"
        self.feed.source.note({"frame": "mark", "at_ns": at_ns, "note": note})
        clock, path = self.feed.clock, self._captures.path or self._captures.asked_path
        where = f" at {clock.second(at_ns):.1f} s of the run" if clock is not None else ""
        kept = f"kept in {path}" if path else "c begins a capture that keeps it"
        self.say(f"marked{where}: {note} · {kept}")

    @property
    def now_ns(self) -> int:
        """The present time of the monotonic clock."""
        return int(self.machine.monotonic() * 1e9)

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

    def record(self, seconds: float | None, past_s: float = 0.0) -> None:
        """Let the source write its capture until the process ends or `seconds` are over.

        With `seconds` the capture says that it covers these, and the `past_s` before them. The
        frames are written; no reading is made of them.
        """
        source, reached = self.feed.source, Reached()
        begin_ns, end_ns = self._window(seconds, past_s)
        if seconds is not None or past_s:
            length_ns = end_ns - begin_ns
            source.note({"frame": "window", "begin_ns": begin_ns, "length_ns": length_ns})
        self.pass_time(seconds, lambda: reached.note(source.drain()))
        if seconds is not None:
            self._wait(lambda: reached.is_at(end_ns), lambda: reached.note(source.drain()))

    def watch(self, seconds: float, past_s: float) -> None:
        """Take in a running target for `seconds`; readings then cover these, and the `past_s`
        before them."""
        window = self._window(seconds, past_s)
        self.pass_time(seconds, self.update)
        self._wait(lambda: self.feed.is_complete_at(window[1]), self.update)
        self.update()
        self.feed.ledger.window = window

    def _window(self, seconds: float | None, past_s: float) -> tuple[int, int]:
        """Return when a window begins and ends that is asked for now."""
        now_ns, past_ns = int(self.machine.monotonic() * 1e9), int(past_s * 1e9)
        length_ns = limits.DURATION_NS - past_ns if seconds is None else int(seconds * 1e9)
        return max(0, now_ns - past_ns), now_ns + length_ns

    def _wait(self, holds: Callable[[], bool], each: Callable[[], object]) -> None:
        """Call `each` until `holds`, the process ends, or `LATEST_SECONDS` are over."""
        deadline = self.machine.monotonic() + LATEST_SECONDS
        while not (holds() or self.has_ended or self.machine.monotonic() >= deadline):
            self.machine.sleep(POLL_SECONDS)
            each()

    def stop_capture(self) -> None:
        """End the capture that a command began. Raises CommandError."""
        with command_errors():
            self.feed.source.stop_capture()
        self._captures.asked_path = ""

    def _recorded(self, reading: Reading | None) -> tuple[Ledger, Reading]:
        return self.feed.ledger, reading or self.feed.reading()

    async def stack(self, pid: int, native_id: int, ident: int) -> Stack:
        """Return the present stack of one thread; pid -1 stands for a process that does not run."""
        return await read_stack(self.machine, pid, native_id, ident)
