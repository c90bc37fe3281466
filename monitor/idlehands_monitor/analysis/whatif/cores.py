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

    __slots__ = (
        "_cores",
        "_free",
        "_free_clock",
        "_free_rate",
        "_lock_others",
        "_locked",
        "_locked_apart",
        "_locked_clock",
        "_locked_rate",
        "_now",
        "_order",
        "_others",
        "next_ns",
    )

    def __init__(
        self, cores: float, *, locked_apart: bool, others: float = 0.0, lock_others: float = 0.0
    ) -> None:
        """`locked_apart`: whether threads that need the interpreter lock keep each other out.

        `others`, `lock_others`: how many more threads want the cores, and the lock, all along.
        """
        self._lock_others = lock_others
        self._cores = cores
        self._others = others
        self._locked_apart = locked_apart
        self._now = 0.0
        # Two groups, each with its clock: who is finished at which reading of it.
        self._free: list[tuple[float, int, int]] = []
        self._locked: list[tuple[float, int, int]] = []
        self._free_clock = self._locked_clock = 0.0
        self._free_rate = self._locked_rate = 1.0
        self._order = 0
        self.next_ns = NEVER

    def add(self, now: float, who: int, work_ns: float, *, locked: bool) -> None:
        """Let a thread run for `work_ns` of its own time from `now` on."""
        passed = now - self._now
        if passed > 0:
            self._free_clock += passed * self._free_rate
            self._locked_clock += passed * self._locked_rate
            self._now = now
        self._order += 1
        if locked and self._locked_apart:
            heappush(self._locked, (self._locked_clock + work_ns, self._order, who))
        else:
            heappush(self._free, (self._free_clock + work_ns, self._order, who))
        self._share()

    def finish(self) -> int:
        """Return the thread that is finished at `next_ns`."""
        passed = self.next_ns - self._now
        if passed > 0:
            self._free_clock += passed * self._free_rate
            self._locked_clock += passed * self._locked_rate
            self._now = self.next_ns
        free, locked = self._free, self._locked
        # The clock is set to the end: rounding must not leave a part of a nanosecond over.
        if not locked or (
            free
            and (free[0][0] - self._free_clock) / self._free_rate
            <= (locked[0][0] - self._locked_clock) / self._locked_rate
        ):
            self._free_clock, _, who = heappop(free)
        else:
            self._locked_clock, _, who = heappop(locked)
        self._share()
        return who

    def _share(self) -> None:
        """Set the rates of both groups, and when the next thread is finished."""
        free, locked = self._free, self._locked
        wanted: float = len(free) + (1 if locked else 0)
        if not wanted:
            self.next_ns = NEVER
            return
        wanted += self._others
        rate = self._cores / wanted if wanted > self._cores else 1.0
        self._free_rate = rate
        left = NEVER
        if free:
            left = (free[0][0] - self._free_clock) / rate
        if locked:
            rate /= len(locked) + self._lock_others
            self._locked_rate = rate
            other = (locked[0][0] - self._locked_clock) / rate
            if other < left:
                left = other
        self.next_ns = self._now + left if left > 0.0 else self._now
