"""Order statistics of a sequence, for all of its places at once: no loop over them.

Pure. `larger_before` is the count of inversions by place, found bit by bit as in a wavelet matrix
(F. Claude, G. Navarro 2012, "The wavelet matrix", SPIRE, LNCS 7608:167–179; from memory);
`range_maximum` is the sparse table (M. A. Bender, M. Farach-Colton 2000, "The LCA problem
revisited", LATIN, LNCS 1776:88–94; from memory). Both take O(n log n) steps and O(n) memory.
"""

from __future__ import annotations

import numpy as np

from ...model.arrays import Int64

LEAST = int(np.iinfo(np.int64).min)


def larger_before(values: Int64) -> Int64:
    """Return per place how many earlier values are larger, shape (n,)."""
    count = np.zeros(len(values), dtype=np.int64)
    if len(values) < 2:
        return count
    order = np.argsort(values, kind="stable")
    ranks = np.empty(len(values), dtype=np.int64)  # equal values rank by place, so none is larger
    ranks[order] = np.arange(len(values))
    place = np.arange(len(values))
    for bit in reversed(range((len(values) - 1).bit_length())):
        # Places whose ranks agree in the bits above stand together, in their order.
        upper = (ranks >> bit) & 1
        start = (ranks >> (bit + 1)) << (bit + 1)  # ranks are dense, so groups begin at their least
        before = np.cumsum(upper) - upper
        before -= before[start]
        lower = upper == 0
        count[place[lower]] += before[lower]
        here = np.arange(len(values))
        goal = np.where(lower, here - before, start + (1 << bit) + before)
        ranks[goal], place[goal] = ranks.copy(), place.copy()
    return count


def range_maximum(values: Int64, low: Int64, high: Int64) -> Int64:
    """Return the largest of values[low:high] per pair, shape (n,); `LEAST` where that is empty."""
    found = np.full(len(low), LEAST, dtype=np.int64)
    length = high - low
    level, table = 0, values
    while len(table):
        width = 1 << level
        its = np.flatnonzero((length >= width) & (length < 2 * width))
        found[its] = np.maximum(table[low[its]], table[high[its] - width])
        # The next row of the table: the largest of twice as many values from each place on.
        table = np.maximum(table[:-width], table[width:]) if len(table) > width else table[:0]
        level += 1
    return found


def maximum_before(values: Int64) -> Int64:
    """Return per place the largest earlier value, `LEAST` at the first, shape (n,)."""
    before = np.full(len(values), LEAST, dtype=np.int64)
    before[1:] = np.maximum.accumulate(values)[:-1]
    return before
