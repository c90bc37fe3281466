"""How long tasks, searches and parks were, by class of length. Pure.

The classes are equally wide on a logarithmic axis, so that microseconds and minutes are both seen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.lengths import LengthsReading, PoolLengths
from ..stats.summary import quantile

if TYPE_CHECKING:
    from ...model.arrays import Bool, Int64
    from .window import Window

PER_DECADE = 5
"""Classes for each factor of ten, chosen: neighbours then differ by a factor of 1.58."""
NS_DECADES = 9


def pool_lengths(window: Window, end_ns: int, *, is_thinned: bool) -> PoolLengths:
    """Return the lengths of the intervals of a whole window, which ends at `end_ns`.

    is_thinned: tasks left no row, so idle intervals are not known.
    """
    tasks, idle = window.tasks, window.idle_intervals
    run = tasks["ended"] - tasks["began"]
    taken = _inside(tasks["ended"], window.begin_ns, end_ns)
    if is_thinned:
        return PoolLengths(lengths_of(run[taken]))
    spent = idle["ended"] - idle["began"]
    ended = _inside(idle["ended"], window.begin_ns, end_ns)
    parked = idle["parked"] == 1
    return PoolLengths(
        lengths_of(run[taken]),
        lengths_of(spent[ended & ~parked]),
        lengths_of(spent[ended & parked]),
    )


def _inside(ended_ns: Int64, begin_ns: int, end_ns: int) -> Bool:
    inside: Bool = (ended_ns > begin_ns) & (ended_ns <= end_ns)
    return inside


def lengths_of(lengths_ns: Int64) -> LengthsReading | None:
    """Return the classes of lengths in nanoseconds, shape (n,); None for none.

    A length under a nanosecond counts as one: such intervals come from two equal timestamps.
    """
    if not len(lengths_ns):
        return None
    classes = np.floor(np.log10(np.maximum(lengths_ns, 1)) * PER_DECADE + 1e-9).astype(np.int64)
    first, last = int(classes.min()), int(classes.max())
    counts = np.bincount(classes - first, minlength=last - first + 1)
    exponents = np.arange(first, last + 2) / PER_DECADE - NS_DECADES
    return LengthsReading(
        tuple((10.0**exponents).tolist()),
        tuple(counts.tolist()),
        quantile(lengths_ns, 0.5) / 1e9,
        quantile(lengths_ns, 0.99) / 1e9,
    )
