"""The window over which each pool is read, and the marks inside it. Pure."""

from __future__ import annotations

from ..ledger import Ledger, PoolLedger
from ..model.run_clock import MarkReading
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

    Where a certain time was requested, it is the part of that time in which the pool existed; if
    no pool existed in it, the window is as if nothing had been requested.
    """
    windows = {
        pool.number: window
        for pool in ledger.pools.values()
        if (window := window_of(pool, window_ns)) is not None
    }
    if ledger.window is None:
        return windows
    low, high = ledger.window
    requested = {
        number: (max(begin, low), min(end, high))
        for number, (begin, end) in windows.items()
        if begin < high and low < end
    }
    return requested or windows


def recorded_span(ledger: Ledger) -> tuple[int, int] | None:
    """Return when the data of all pools begin and end, whatever was requested; None without any."""
    found = [window for pool in ledger.pools.values() if (window := window_of(pool, None))]
    if not found:
        samples = ledger.samples
        return (samples.first_ns, samples.latest_ns) if samples.dumps else None
    return min(begin for begin, _ in found), max(end for _, end in found)


def marks_in(ledger: Ledger, window: tuple[int, int] | None) -> tuple[MarkReading, ...]:
    """Return the marks inside a window, in order; none without a window."""
    if window is None:
        return ()
    begin, end = window
    return tuple(MarkReading(*mark) for mark in ledger.marks if begin <= mark.at_ns <= end)


def settled_begin(pool: PoolLedger, begin_ns: int, end_ns: int) -> int:
    """Return the full second nearest to `begin_ns`, if the pool has data from then on.

    Full seconds of a live window are cached; a part of one would be computed for every reading.
    """
    second = (begin_ns + SECOND_NS // 2) // SECOND_NS * SECOND_NS
    known = pool.complete_from_ns <= second <= end_ns - SECOND_NS
    return second if known else begin_ns
