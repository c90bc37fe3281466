"""Order statistics of a sequence, for all of its places at once, without a loop over the places.

Pure. `larger_before` counts the inversions of each place, bit by bit as in a wavelet matrix
(F. Claude, G. Navarro 2012, "The wavelet matrix", SPIRE, LNCS 7608:167–179; from memory);
`range_maximum` is the sparse table (M. A. Bender, M. Farach-Colton 2000, "The LCA problem
revisited", LATIN, LNCS 1776:88–94; from memory). Both take O(n log n) steps and O(n) memory.
"""

from __future__ import annotations

import numpy as np

from ...model.arrays import Int64

LEAST = int(np.iinfo(np.int64).min)
"""What an empty range has for its maximum."""


def larger_before(values: Int64) -> Int64:
    """Return for each place how many earlier values are larger, shape (n,)."""
    count = np.zeros(len(values), dtype=np.int64)
    if len(values) < 2:
        return count
    order = np.argsort(values, kind="stable")
    ranks = np.empty(len(values), dtype=np.int64)  # equal values rank by place: none is larger
    ranks[order] = np.arange(len(values))
    place = np.arange(len(values))
    for bit in reversed(range((len(values) - 1).bit_length())):
        # Places whose ranks agree in the higher bits stand side by side, in the order of places.
        upper = (ranks >> bit) & 1
        start = (ranks >> (bit + 1)) << (bit + 1)  # dense ranks: a group begins at its least
        before = np.cumsum(upper) - upper
        before -= before[start]
        lower = upper == 0
        count[place[lower]] += before[lower]
        here = np.arange(len(values))
        goal = np.where(lower, here - before, start + (1 << bit) + before)
        ranks[goal], place[goal] = ranks.copy(), place.copy()
    return count


def range_maximum(values: Int64, low: Int64, high: Int64) -> Int64:
    """Return the largest of values[low:high] for each pair of low and high, shape (n,).

    `LEAST` where the range is empty.
    """
    found = np.full(len(low), LEAST, dtype=np.int64)
    length = high - low
    level, table = 0, values
    while len(table):
        width = 1 << level
        fitting = np.flatnonzero((length >= width) & (length < 2 * width))
        found[fitting] = np.maximum(table[low[fitting]], table[high[fitting] - width])
        # The next row of the table: the maximum of twice as many values, from each place on.
        table = np.maximum(table[:-width], table[width:]) if len(table) > width else table[:0]
        level += 1
    return found


def maximum_before(values: Int64) -> Int64:
    """Return for each place the largest earlier value, `LEAST` for the first, shape (n,)."""
    before = np.full(len(values), LEAST, dtype=np.int64)
    before[1:] = np.maximum.accumulate(values)[:-1]
    return before


def distinct(values: Int64) -> Int64:
    """Return each value of shape (n,) once, in rising order.

    numpy's `unique` does the same with a table of hashes, which takes thirty times as long on a
    million timestamps as sorting does.
    """
    ordered = np.sort(values, kind="stable")
    first = np.ones(len(ordered), dtype=np.bool_)
    first[1:] = ordered[1:] != ordered[:-1]
    return ordered[first]


def places_of(numbers: Int64, wanted: Int64) -> Int64:
    """Return the place of each wanted number among sorted numbers, -1 where it is missing.

    Shape (wanted,); `numbers` has at least one.
    """
    place = np.minimum(np.searchsorted(numbers, wanted), len(numbers) - 1)
    return np.where(numbers[place] == wanted, place, -1)
