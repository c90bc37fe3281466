"""Steal attempts over time: the counts in slices of a window, from the probe's counters.

Pure: snapshots of cumulative counts in, counts per slice out. A slice is the difference between the
last snapshot at or before its begin and the last at or before its end. So the slices add up to the
difference between the first and the last snapshot.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from ...model.stealing import StealTimeline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import PoolLedger

MOST_SLICES = 48
"""So many bars fit eighty cells, with their labels."""
SECOND_NS = 1_000_000_000
SNAPSHOTS_PER_SLICE = 2
"""Slices as long as the time between snapshots would hold none or two by chance."""

Totals = tuple[int, int, int]
Part = tuple[float, "int | None", "int | None", "int | None"]
NOTHING: Totals = (0, 0, 0)
BLANK: Part = (0.0, None, None, None)


def steal_timeline(pool: PoolLedger, begin_ns: int, end_ns: int, *, live: bool) -> StealTimeline:
    """Return the steal attempts of a window in at most `MOST_SLICES` slices.

    `live`: slices have their edges at full seconds of the host's clock, so that they do not change
    while the window moves; otherwise they are equally long.
    """
    return counted(pool, slice_edges(pool, begin_ns, end_ns, live=live))


def slice_edges(pool: PoolLedger, begin_ns: int, end_ns: int, *, live: bool) -> list[int]:
    """Return the edges of a window's slices, which are long enough to hold a snapshot each."""
    inside = [s.at_ns for s in pool.attempts.snapshots if begin_ns <= s.at_ns <= end_ns]
    apart = int(np.median(np.diff(inside))) if len(inside) > 1 else end_ns - begin_ns
    least = max(SNAPSHOTS_PER_SLICE * apart, -(-(end_ns - begin_ns) // MOST_SLICES), 1)
    if live:
        length = -(-least // SECOND_NS) * SECOND_NS
        return [begin_ns, *range(begin_ns // length * length + length, end_ns, length), end_ns]
    count = max(1, (end_ns - begin_ns) // least)
    return [begin_ns + (end_ns - begin_ns) * part // count for part in range(count + 1)]


def counted(pool: PoolLedger, edges: Sequence[int]) -> StealTimeline:
    """Return the steal attempts between each two of `edges`, at least two ascending timestamps.

    The first and the last edge are treated as the ledger treats the edges of a window.
    """
    snapshots = list(pool.attempts.snapshots)
    timestamps = [snapshot.at_ns for snapshot in snapshots]
    from_zero = edges[0] <= pool.declared_ns
    if from_zero:
        timestamps.insert(0, pool.declared_ns)
    places = [max(0, bisect_right(timestamps, edge) - 1) for edge in edges[:-1]]
    places.append(min(len(timestamps) - 1, bisect_left(timestamps, edges[-1])))
    known = {
        place: snapshots[place - from_zero].totals if place >= from_zero else NOTHING
        for place in set(places)
        if snapshots
    }
    parts = [
        _between(known[low], known[high], timestamps[high] - timestamps[low])
        if low < high
        else BLANK
        for low, high in pairwise(places)
    ]
    spans, hits, empties, lost = zip(*parts, strict=True)
    attempts = tuple(None if None in part else sum(filter(None, part[1:])) for part in parts)
    seconds = tuple((edge - edges[0]) / 1e9 for edge in edges)
    return StealTimeline(seconds, spans, attempts, hits, empties, lost)


def _between(early: Totals, late: Totals, nanoseconds: int) -> Part:
    hits, empties, lost = (after - before for before, after in zip(early, late, strict=True))
    if min(hits, empties, lost) < 0:  # fewer than before: the counters were reset
        return BLANK
    return nanoseconds / 1e9, hits, empties, lost
