"""What a session asks of the machine: its clocks, a process's age and cores, stacks, a thread.

A session gets all of this as one object and calls no clock or process by itself. A test hands in
another object, and so neither sleeps nor needs a process.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeVar

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


@dataclass(frozen=True, slots=True)
class Machine:
    """The machine as a session sees it; the defaults are the real one.

    monotonic, wall, sleep: in seconds. on_thread: does work on another thread. dump: returns
    py-spy's list of the threads of a process; raises StackError. started_at: when a process began,
    in seconds of the wall clock. cores: how many cores a process may run on, 0 when it is gone.
    """

    monotonic: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time
    sleep: Callable[[float], None] = time.sleep
    on_thread: OnThread = asyncio.to_thread
    dump: Callable[[int], Awaitable[list[PySpyThread]]] = dump_whole
    started_at: Callable[[int], float] = host.started_at
    cores: Callable[[int], int] = host.cores_by_affinity


MACHINE = Machine()
