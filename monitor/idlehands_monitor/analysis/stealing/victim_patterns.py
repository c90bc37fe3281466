"""What an uneven choice of victims looks like: a word for it, where one fits every thief.

Pure. The patterns are common practice in pools of workers, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ...model.arrays import Int64

FIXED, NEAREST = ORDERS = ("fixed order", "nearest neighbour")
LEAST_THIEVES = 3
"""Fewer thieves show a preference, not an order that all of them keep."""
CLEAR = 2.0
"""Standard deviations of an even choice that a preference must stand out by, in every thief."""


def pattern(thieves: Int64, counts: Int64, *, never: bool) -> str:
    """Return the word for looks of shape (thieves, victims), each row without the thief itself.

    "fixed order": every thief looks at lower indices more, also beyond its first. "nearest
    neighbour": every thief looks most at the next index on the ring. "one victim": every thief
    has one that gets more than halfway from an even share to all. Else "never tried" or "".
    """
    several = len(thieves) >= LEAST_THIEVES
    if several and all(_falls(row) and (len(row) < 3 or _falls(row[1:])) for row in counts):
        return FIXED
    pairs = zip(thieves.tolist(), counts, strict=True)
    if several and all(_favours_next(thief, row) for thief, row in pairs):
        return NEAREST
    shares = counts.max(axis=1) / counts.sum(axis=1)
    if (shares > (1 + 1 / counts.shape[1]) / 2).all():
        return "one victim"
    return "never tried" if never else ""


def _falls(row: Int64) -> bool:
    """Return whether the mean index looked at is clearly below that of an even choice."""
    total = float(row.sum())
    places = np.arange(len(row))
    spread = float(places.std())
    if not total or not spread:
        return False
    mean = float((row * places).sum()) / total
    return mean < float(places.mean()) - CLEAR * spread / math.sqrt(total)


def _favours_next(thief: int, row: Int64) -> bool:
    """Return whether the next index on the ring is looked at most, and clearly so.

    Without the thief itself the next index stands where the thief would, the last one's at 0.
    """
    place = thief % len(row)
    mean = float(row.mean())
    return int(row.argmax()) == place and float(row[place]) > mean + CLEAR * math.sqrt(mean)
