"""The name of an uneven choice of victims, where one pattern fits every thief.

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
"""Fewer thieves show a preference, not an order that all thieves keep."""
CLEAR = 2.0
"""Each thief's preference must differ from an even choice by so many standard deviations."""


def pattern(thieves: Int64, counts: Int64, *, never: bool) -> str:
    """Return the name of the pattern in steal attempts of shape (thieves, victims), or "".

    thieves: their indices, shape (thieves,). counts: each row without the thief itself. never:
    whether a victim is never tried.

    "fixed order": every thief tries lower indices more, also without the first of them. "nearest
    neighbour": every thief tries the next index on the ring most. "one victim": every thief has
    one that gets more than halfway from an even share to all attempts. Else "never tried" or "".
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
    """Return whether the mean index tried is clearly below that of an even choice."""
    total = float(row.sum())
    places = np.arange(len(row))
    spread = float(places.std())
    if not total or not spread:
        return False
    mean = float((row * places).sum()) / total
    return mean < float(places.mean()) - CLEAR * spread / math.sqrt(total)


def _favours_next(thief: int, row: Int64) -> bool:
    """Return whether the next index on the ring is tried most, and clearly so.

    The row is without the thief, so the next index stands in the thief's place; the next one after
    the last thief stands at 0.
    """
    place = thief % len(row)
    mean = float(row.mean())
    return int(row.argmax()) == place and float(row[place]) > mean + CLEAR * math.sqrt(mean)
