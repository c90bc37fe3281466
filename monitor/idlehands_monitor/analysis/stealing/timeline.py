"""Looks over time: a window cut into slices, each counted from the probe's counters.

Pure: snapshots of cumulative counts in, counts per slice out. A slice is counted from the last
snapshot at or before its begin to the last at or before its end, so that slices add up to what
was counted between the first and the last snapshot, whatever lies between.
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
"""So many bars fit eighty cells, with what they are."""
SECOND_NS = 1_000_000_000
SNAPSHOTS_PER_SLICE = 2
"""A slice as long as snapshots lie apart would by chance hold none or two."""

Totals = tuple[int, int, int]
Part = tuple[float, "int | None", "int | None", "int | None"]
NOTHING: Totals = (0, 0, 0)
BLANK: Part = (0.0, None, None, None)


def steal_timeline(pool: PoolLedger, begin_ns: int, end_ns: int, *, live: bool) -> StealTimeline:
    """Return the looks of a window slice by slice, at most `MOST_SLICES`.

    `live`: cut at whole seconds of the host's clock, so that slices stay as they are while the
    window moves on; else into equal parts.
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
    """Return the looks between each two of `edges`, at least two moments in rising order.

    The first and the last edge are counted as the ledger counts a window between them.
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
    if min(hits, empties, lost) < 0:  # fewer than before: the counters began anew
        return BLANK
    return nanoseconds / 1e9, hits, empties, lost
