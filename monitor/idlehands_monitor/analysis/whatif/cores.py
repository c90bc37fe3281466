"""Cores and the interpreter lock, shared evenly by all that want them.

Pure. Each of n threads that want one of C cores gets C/n of it, at most 1: what a fair scheduler
comes to over more than a time slice. Of the threads that need the interpreter lock only one runs at
a time, and they take turns: together they want one core. Work is finished by a virtual clock that
runs at the rate of one thread's share, so an event costs the logarithm of the number of threads,
not their number (the virtual time of processor sharing: A. Demers, S. Keshav, S. Shenker 1989,
SIGCOMM '89, 1–12; from memory).
"""

from __future__ import annotations

import math
from heapq import heappop, heappush

NEVER = math.inf


class Cores:
    """Who is on a core, and when the next of them is finished. Times in ns, as floats.

    next_ns: when the next thread is finished if nothing changes, `NEVER` if none runs.
    """

    __slots__ = ("_cores", "_free", "_locked", "_locked_apart", "_now", "_order", "next_ns")

    def __init__(self, cores: float, *, locked_apart: bool) -> None:
        """`locked_apart`: whether threads that need the interpreter lock keep each other out."""
        self._cores = cores
        self._locked_apart = locked_apart
        self._now = 0.0
        self._free, self._locked = _Group(), _Group()
        self._order = 0
        self.next_ns = NEVER

    def add(self, now: float, who: int, work_ns: float, *, locked: bool) -> None:
        """Let a thread run for `work_ns` of its own time from `now` on."""
        self._advance(now)
        group = self._locked if locked and self._locked_apart else self._free
        self._order += 1
        heappush(group.ends, (group.clock + work_ns, self._order, who))
        self._share()

    def finish(self) -> int:
        """Return the thread that is finished at `next_ns`."""
        self._advance(self.next_ns)
        free, locked = self._free, self._locked
        group = free if free.left() <= locked.left() else locked
        end, _, who = heappop(group.ends)
        group.clock = end  # rounding must not leave a part of a nanosecond over
        self._share()
        return who

    def _advance(self, now: float) -> None:
        passed = now - self._now
        if passed > 0:
            self._free.clock += passed * self._free.rate
            self._locked.clock += passed * self._locked.rate
            self._now = now

    def _share(self) -> None:
        free, locked = len(self._free.ends), len(self._locked.ends)
        wanted = free + (1 if locked else 0)
        if not wanted:
            self.next_ns = NEVER
            return
        rate = self._cores / wanted if wanted > self._cores else 1.0
        self._free.rate = rate
        left = self._free.left()
        if locked:
            self._locked.rate = rate / locked
            left = min(left, self._locked.left())
        self.next_ns = self._now + left


class _Group:
    """Threads that run at one rate: by the reading of their clock at which they are finished."""

    __slots__ = ("clock", "ends", "rate")

    def __init__(self) -> None:
        self.clock, self.rate = 0.0, 1.0
        self.ends: list[tuple[float, int, int]] = []

    def left(self) -> float:
        """Return how long the next of them still takes, `NEVER` for none."""
        if not self.ends:
            return NEVER
        return max(0.0, self.ends[0][0] - self.clock) / self.rate
