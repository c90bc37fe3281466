"""What a session asks of the machine: its clocks, its time zone, a process's age and cores, stacks,
a thread.

A session gets all of this as one object and calls no clock or process by itself. A test hands in
another object, and so neither sleeps nor needs a process.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol, TypeVar

from ..ingest.sources import host
from ..ingest.sources.stacks import dump_whole

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from ..ingest.sources.stacks import PySpyThread

Done = TypeVar("Done")


class OnThread(Protocol):
    """Does work on another thread, so that the screen and the keys go on meanwhile."""

    def __call__(self, work: Callable[[], Done], /) -> Awaitable[Done]:
        """Return what `work` returns, or raise what it raises."""


class Zone(NamedTuple):
    """How far the local time is ahead of UTC, in seconds, and what it is called."""

    utc_offset_s: int = 0
    name: str = "UTC"


def local_zone(wall_s: float) -> Zone:
    """Return the zone of the local time at a second of the wall clock."""
    try:
        local = time.localtime(wall_s)
    except (OverflowError, OSError, ValueError):  # a capture may say any time
        return Zone()
    return Zone(local.tm_gmtoff, local.tm_zone)


@dataclass(frozen=True, slots=True)
class Machine:
    """The machine as a session sees it; the defaults are the real one.

    monotonic, wall, sleep: in seconds. on_thread: does work on another thread. dump: returns
    py-spy's list of the threads of a process; raises StackError. started_at: when a process began,
    in seconds of the wall clock. cores: how many cores a process may run on, 0 when it is gone.
    zone: the zone of the local time at a second of the wall clock.
    """

    monotonic: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time
    sleep: Callable[[float], None] = time.sleep
    on_thread: OnThread = asyncio.to_thread
    dump: Callable[[int], Awaitable[list[PySpyThread]]] = dump_whole
    started_at: Callable[[int], float] = host.started_at
    cores: Callable[[int], int] = host.cores_by_affinity
    zone: Callable[[float], Zone] = local_zone


MACHINE = Machine()
