"""The window over which each pool is read. Pure."""

from __future__ import annotations

from ..ledger import Ledger, PoolLedger
from .stats.cache import SECOND_NS


def window_of(pool: PoolLedger, window_ns: int | None) -> tuple[int, int] | None:
    """Return (begin, end) of the last `window_ns` of complete data, None without data."""
    end = pool.complete_ns
    if pool.closed_ns >= 0:
        end = min(end, pool.closed_ns)
    begin = pool.complete_from_ns
    if window_ns is not None:
        begin = max(begin, end - window_ns)
    return (begin, end) if 0 <= begin < end else None


def windows_of(ledger: Ledger, window_ns: int | None) -> dict[int, tuple[int, int]]:
    """Return the window of each pool, by its number.

    For a capture that was requested for a certain time, it is the part of that time in which the
    pool existed; if no pool existed in it, all the data of each.
    """
    windows = {
        pool.number: window
        for pool in ledger.pools.values()
        if (window := window_of(pool, window_ns)) is not None
    }
    if window_ns is not None or ledger.window is None:
        return windows
    low, high = ledger.window
    requested = {
        number: (max(begin, low), min(end, high))
        for number, (begin, end) in windows.items()
        if begin < high and low < end
    }
    return requested or windows


def settled_begin(pool: PoolLedger, begin_ns: int, end_ns: int) -> int:
    """Return the full second nearest to `begin_ns`, if the pool has data from then on.

    Full seconds of a live window are cached; a part of one would be computed for every reading.
    """
    second = (begin_ns + SECOND_NS // 2) // SECOND_NS * SECOND_NS
    known = pool.complete_from_ns <= second <= end_ns - SECOND_NS
    return second if known else begin_ns
