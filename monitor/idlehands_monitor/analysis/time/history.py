"""Worker time second by second, computed once a second and cached. Pure but for that cache.

A second is settled half a second after its end: by then the tasks of woken workers have started,
and intervals that were open have rows. The seconds are those of the host's clock, so that they do
not change from one reading to the next. A live window is the sum of the settled seconds in it and
of the rest, and only the rest is computed again for each reading.
"""

from __future__ import annotations

from collections import deque
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np

from ...ledger.queue_length import mean_lengths
from ...model.vocabulary import PoolKind
from ...model.worker_time import PoolTime, no_time, summed
from ..stats.cache import SECOND_NS, Cache
from .reconcile import reconciled
from .state_rates import estimated, together
from .window import Window
from .worker_time import evidence_between, pool_time

if TYPE_CHECKING:
    from ...ledger import HostCounters, PoolLedger
    from ...model.arrays import Float
    from ...model.worker_time import WorkerTime
    from .state_rates import Evidence

SETTLED_NS = 500_000_000
MOST_SECONDS = 240
RATE_SECONDS, SETTLED_RATES, RATES_EVERY = 30, 5, 4
"""The state rates of kinds are estimated from up to `RATE_SECONDS` settled seconds. Once there are
`SETTLED_RATES` of them, the last rates are the start, and only every `RATES_EVERY` seconds."""


class PoolHistory(Cache):
    """The settled seconds of one pool, oldest first, at most `MOST_SECONDS`."""

    def __init__(self) -> None:
        super().__init__()
        self.seconds: deque[PoolTime] = deque(maxlen=MOST_SECONDS)
        self.times: tuple[WorkerTime, ...] = ()
        self.queue_lengths: tuple[float, ...] = ()
        self._lengths: deque[float] = deque(maxlen=MOST_SECONDS)
        self._idle: list[tuple[float, ...]] = []
        self._evidence: deque[Evidence] = deque(maxlen=RATE_SECONDS)
        self._rates: Float | None = None
        self._next: int | None = None
        self._summed: tuple[int, int, PoolTime] | None = None
        self._last: dict[tuple[int, int], PoolTime] = {}

    def extend(self, pool: PoolLedger, host: HostCounters) -> None:
        """Add the seconds of `pool` that have settled since the last call."""
        last = (pool.complete_ns - SETTLED_NS) // SECOND_NS
        if pool.closed_ns >= 0:
            last = min(last, pool.closed_ns // SECOND_NS)
        earliest = max(-(-pool.complete_from_ns // SECOND_NS), last - MOST_SECONDS)
        start = earliest if self._next is None else max(earliest, self._next)
        if self._next is not None and start > self._next:
            self.seconds.clear()  # the time between is unknown
            self._lengths.clear()
        for second in range(start, last):
            begin = second * SECOND_NS
            window = Window(pool, begin, begin + SECOND_NS)
            self._learn(pool, host, window)
            time = pool_time(pool, host, begin, begin + SECOND_NS, window, self._rates)
            self.seconds.append(time)
            if pool.kind != PoolKind.STEALING:
                self._lengths += mean_lengths(pool, (begin, begin + SECOND_NS))
        self._next = max(start, last)
        if start < last:
            self.times = tuple(second.pool for second in reconciled(self.seconds))
            self.queue_lengths = tuple(self._lengths)
            self._idle = _columns([second.idle_shares for second in self.seconds])

    def _learn(self, pool: PoolLedger, host: HostCounters, second: Window) -> None:
        """Estimate the state rates of kinds from the last seconds and `second`."""
        found = evidence_between(pool, host, second, second.begin_ns, second.begin_ns + SECOND_NS)
        if found is None:
            return
        self._evidence.append(found)
        settled = self._rates if len(self._evidence) >= SETTLED_RATES else None
        if settled is None or second.begin_ns // SECOND_NS % RATES_EVERY == 0:
            self._rates = estimated(together(list(self._evidence)), settled)

    def time(self, pool: PoolLedger, host: HostCounters, begin_ns: int, end_ns: int) -> PoolTime:
        """Return the worker time of a window; its settled seconds come from the cache."""
        first = self._next - len(self.seconds) if self._next is not None else 0
        low = max(first, -(-begin_ns // SECOND_NS))
        high = min(first + len(self.seconds), end_ns // SECOND_NS)
        if high <= low:
            return self._unsettled(pool, host, begin_ns, end_ns)
        parts = [self._sum(low - first, high - first, low)]
        for begin, end in ((begin_ns, low * SECOND_NS), (high * SECOND_NS, end_ns)):
            if begin < end:
                parts.append(self._unsettled(pool, host, begin, end))
        return summed([no_time(pool.workers), *reconciled(parts)])

    def _unsettled(
        self, pool: PoolLedger, host: HostCounters, begin_ns: int, end_ns: int
    ) -> PoolTime:
        """Return the worker time of a part that is not a settled second.

        For an open pool the quick way, since it is computed with every frame and settles soon. For
        a closed pool it is computed once and cached, since it does not change.
        """
        if pool.closed_ns < 0:
            return pool_time(pool, host, begin_ns, end_ns, rates=self._rates, quick=True)
        if (begin_ns, end_ns) not in self._last:
            self._last = dict(list(self._last.items())[-1:])  # at its begin, and at its end
            self._last[begin_ns, end_ns] = pool_time(
                pool, host, begin_ns, end_ns, rates=self._rates
            )
        return self._last[begin_ns, end_ns]

    def _sum(self, begin: int, end: int, second: int) -> PoolTime:
        """Return the sum of the settled seconds at places [begin, end); the first is `second`.

        Cached until the window moves by a second: a screen is drawn several times a second.
        """
        if self._summed is None or self._summed[:2] != (second, end - begin):
            parts = reconciled(list(islice(self.seconds, begin, end)))
            self._summed = second, end - begin, summed(parts)
        return self._summed[2]

    def idle_shares(self, worker: int) -> tuple[float, ...]:
        """Return a worker's idle share of each second, NaN for a second that it was not there.

        The same object until another second has settled.
        """
        return self._idle[worker] if worker < len(self._idle) else ()


def _columns(rows: list[Float]) -> list[tuple[float, ...]]:
    """Return the columns of rows; a short row is from a time when the pool had fewer workers."""
    table = np.full((len(rows), max(map(len, rows), default=0)), np.nan)
    for row, values in zip(table, rows, strict=True):
        row[: len(values)] = values
    return [tuple(column) for column in table.T.tolist()]
