"""One tape: waiting for it and reading it, as the plan says. The pool is elsewhere.

Each way of losing time has a function of its own, so that a stack shows which it was.
"""

from __future__ import annotations

import threading
import time
import zlib
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Callable

from .archive import Archive, Block, Totals
from .plan import Plan
from .station_day import evaluate

LOOPS_A_SECOND = 20_000_000
"""Steps of the plain search for each second that a tape would take; a step takes some 50 ns."""


class UnreadableTape(Exception):
    """A tape could not be read this time; another time it may be."""


@dataclass(frozen=True)
class Tape:
    """The tape of one station-day: its block, datum in mm, and wait in seconds.

    `failures`: how many readings fail before one succeeds. `stuck`: it never comes. `rewind`: the
    wait for its drive to rewind, in seconds.
    """

    block: Block
    datum: int
    delay: float
    failures: int = 0
    stuck: bool = False
    rewind: float = 0.0


def tape_at(archive: Archive, plan: Plan, station: int, day: int) -> Tape:
    """Return the tape of one station-day."""
    delay = float(archive.delay[station, day])
    return Tape(
        archive.blocks[int(archive.block_of[station, day])],
        int(archive.datum[station, day]),
        delay,
        int(archive.failures[station, day]),
        stuck=day in plan.stuck_days,
        rewind=delay * plan.rewind if day >= plan.rewind_from else 0.0,
    )


class Drive:
    """Reads tapes as `plan` says.

    `sleep` is how the wait for a tape is spent, in seconds; `stop` ends the wait for a tape that
    never comes.
    """

    def __init__(
        self,
        plan: Plan,
        stop: threading.Event | None = None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._plan = plan
        self._stop = stop or threading.Event()
        self._sleep = sleep
        self._lock: AbstractContextManager[object] = nullcontext()
        if plan.one_lock:
            self._lock = threading.Lock()

    def __reduce__(self) -> tuple[type[Drive], tuple[Plan]]:
        """Let a drive go to another process, where it has a lock of its own and is not stopped."""
        return Drive, (self._plan,)

    def read(self, tape: Tape, attempt: int = 0) -> Totals:
        """Wait for the tape and evaluate it; raises as `fetch` does."""
        self.fetch(tape, attempt)
        return evaluate(tape.block, tape.datum)

    def fetch(self, tape: Tape, attempt: int = 0) -> None:
        """Wait for the tape. Raises `UnreadableTape` on the first attempts of a tape that has
        failures."""
        if tape.stuck:
            self._wait_for_lost_tape()
        if self._plan.computing:
            search_plainly(tape)
        else:
            self.wind(tape.delay)
        if tape.rewind:
            rewind(tape.rewind)
        if attempt < tape.failures:
            raise UnreadableTape("the checksum of the tape's header is wrong (invented)")

    def wind(self, seconds: float) -> None:
        """Wind the tape to its place."""
        with self._lock:
            self._sleep(seconds)

    def _wait_for_lost_tape(self) -> None:
        self._stop.wait()


def rewind(seconds: float) -> None:
    """Wait until a drive has rewound, in the task that needs the next tape."""
    time.sleep(seconds)


def check_page(packed: bytes, number: int, pages: int) -> int:
    """Return the checksum of one of the pages of a tape."""
    size = -(-len(packed) // pages)
    return zlib.crc32(packed[number * size : (number + 1) * size])


def search_plainly(tape: Tape) -> int:
    """Count the steps upwards in the levels, over and over: plain Python on one core."""
    levels = memoryview(zlib.decompress(tape.block.packed)).cast("h")
    upwards = 0
    for _ in range(max(1, int(tape.delay * LOOPS_A_SECOND / len(levels)))):
        last = 0
        for level in levels:
            if level > last:
                upwards += 1
            last = level
    return upwards
