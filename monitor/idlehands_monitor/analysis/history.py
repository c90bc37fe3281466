"""Worker time second by second, computed once a second and kept.

A second is settled half a second after its end: by then the tasks that woken workers went on to
run have started, and what was only open is in rows. Seconds are those of the host's clock, so
that from one reading to the next they move on and do not change.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from .worker_time import PoolTime, pool_time

if TYPE_CHECKING:
    from ..ledger import HostCounters, PoolLedger

SECOND_NS = 1_000_000_000
SETTLED_NS = 500_000_000
MOST_SECONDS = 240


class PoolHistory:
    """The settled seconds of one pool, oldest first, at most `MOST_SECONDS`."""

    def __init__(self) -> None:
        self.seconds: deque[PoolTime] = deque(maxlen=MOST_SECONDS)
        self._next: int | None = None

    def extend(self, pool: PoolLedger, host: HostCounters) -> None:
        """Add the seconds of `pool` that have settled since the last call."""
        last = (pool.complete_ns - SETTLED_NS) // SECOND_NS
        if pool.closed_ns >= 0:
            last = min(last, pool.closed_ns // SECOND_NS)
        earliest = max(-(-pool.complete_from_ns // SECOND_NS), last - MOST_SECONDS)
        start = earliest if self._next is None else max(earliest, self._next)
        for second in range(start, last):
            begin = second * SECOND_NS
            self.seconds.append(pool_time(pool, host, begin, begin + SECOND_NS))
        self._next = max(start, last)
