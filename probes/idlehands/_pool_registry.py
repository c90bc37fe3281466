"""The pools of one process: those that are open, and a bounded number of those that have closed.

A closed pool stays readable for a reader that attaches just after its end. How much is kept of
closed pools is bounded, so that a job with a new pool a second takes no more and more memory.
"""

from __future__ import annotations

import threading
from time import monotonic_ns
from typing import Callable, TypeVar

from ._pool import PoolProbe
from ._rings import Room
from ._settings import ProbeMisuse

Shared = TypeVar("Shared", bound=PoolProbe)

CLOSED_POOLS_KEPT = 2
"""So many closed pools are kept whatever their size, for a reader that attaches just after the
end."""
CLOSED_BYTES_KEPT, MOST_CLOSED_KEPT = 8 << 20, 64
"""Further closed pools are kept, newest first, up to so many bytes and so many pools."""
UNREAD_BYTES_KEPT, MOST_UNREAD_KEPT = 24 << 20, 256
"""The same for pools that an attached reader has not read to their end yet."""
COMPACT_AFTER_NS = 100_000_000
"""So long after a pool closed, a thread that was writing a row then has finished."""
SWEEP_AFTER, SWEEP_UNREAD_AFTER = 8, 32
"""A new pool makes the registry let go of closed ones when so many have been added since the last
time. The second number holds while a reader is attached, because that reader reads them
meanwhile."""


class PoolRegistry:
    """The pools of a process, by their order.

    Attributes: lock, pools, declared (how many ever), dropped (how many were let go before an
    attached reader had read them).
    """

    def __init__(self, on_bound: Callable[[], None]) -> None:
        """Take what a pool calls when one of its workers has its thread."""
        # Can be taken again by a thread that has it: a signal handler may hand in a task anywhere.
        self.lock = threading.RLock()
        self.pools: list[PoolProbe] = []
        self.declared = 0
        self.dropped = 0
        self._on_bound = on_bound
        self._has_readers = False
        self._sweep_at = SWEEP_AFTER

    def present_pools(self) -> list[PoolProbe]:
        """Return the pools there are, those that closed not long ago included."""
        return self.pools[:]

    def declare(self, name: str, workers: int, kind: str) -> PoolProbe:
        """Return a new pool. Raises ProbeMisuse where another of that name is open."""
        with self.lock:
            if any(pool.name == name and pool.closed_ns < 0 for pool in self.pools):
                raise ProbeMisuse(f"a pool named {name!r} is already open in this process")
            Room.share_among(len(self.pools))
            pool = PoolProbe(name, workers, kind, self.declared)
            self._add(pool)
            return pool

    def share(
        self, name: str, sort: type[Shared], kind: str, make: Callable[[str, int], Shared]
    ) -> Shared:
        """Return the pool that was closed under `name`, or is ending, and opens again, or a new
        one."""
        with self.lock:
            base, attempt = name, 1
            while True:
                known = next((pool for pool in self.pools if pool.name == name), None)
                if known is None:
                    break
                known.refresh(at_once=True)
                is_same = type(known) is sort and known.kind == kind
                if is_same and known.open_again():
                    return known  # type: ignore[return-value]
                attempt += 1
                name = f"{base} ({attempt})"
            Room.share_among(len(self.pools))
            pool = make(name, self.declared)
            self._add(pool)
            return pool

    def _add(self, pool: PoolProbe) -> None:
        pool.on_bound = self._on_bound
        self.declared += 1
        self.pools.append(pool)
        if len(self.pools) >= self._sweep_at:
            self._refresh()
            self._let_go()
            least = SWEEP_UNREAD_AFTER if self._has_readers else SWEEP_AFTER
            self._sweep_at = len(self.pools) + max(least, len(self.pools) // 8)

    def tidy(self, has_readers: bool, *, at_once: bool = True) -> None:
        """Keep no more of the closed pools than there is room for.

        With `at_once`, find out first which more have closed. Only the publisher's thread calls
        this: it alone reads the rings that are made smaller here.
        """
        self._has_readers = has_readers
        if at_once:
            self._refresh()
        if not self.lock.acquire(blocking=False):
            return  # a pool is being added: the next check will do
        try:
            for pool in [pool for pool in self.pools if pool.unwanted]:
                self.pools.remove(pool)
                pool.forget()
            for pool in self.pools:
                if 0 <= pool.closed_ns < monotonic_ns() - COMPACT_AFTER_NS and not pool.is_compact:
                    try:
                        pool.compact()
                    except Exception as error:
                        pool.failed(error)
            self._let_go()
        finally:
            self.lock.release()

    def _refresh(self) -> None:
        for pool in self.pools[:]:
            try:
                pool.refresh()
            except Exception as error:
                pool.failed(error)

    def _let_go(self) -> None:
        """Forget closed pools above the bounds, the ones that closed first before the others."""
        closed = sorted(
            (pool for pool in self.pools if pool.closed_ns >= 0),
            key=lambda pool: pool.closed_ns,
            reverse=True,
        )
        room = {True: CLOSED_BYTES_KEPT, False: UNREAD_BYTES_KEPT}
        places = {True: MOST_CLOSED_KEPT, False: MOST_UNREAD_KEPT}
        for position, pool in enumerate(closed):
            is_read = pool.is_read or not self._has_readers
            room[is_read] -= _bytes_of(pool)
            places[is_read] -= 1
            is_past = room[is_read] < 0 or places[is_read] < 0
            if is_past and position >= CLOSED_POOLS_KEPT:
                self.pools.remove(pool)
                self.dropped += not is_read
                pool.forget()


def _bytes_of(pool: PoolProbe) -> int:
    """Return how many bytes a pool takes; a pool that fails to say counts as the most allowed."""
    try:
        return pool.memory_bytes()
    except Exception as error:
        pool.failed(error)
        return CLOSED_BYTES_KEPT
