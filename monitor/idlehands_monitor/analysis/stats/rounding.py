"""Integers that add up to a total: divides nanoseconds without losing one. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ...model.arrays import Float, Int64

MOST_TOTAL = 1 << 62


def shared_out(weights: Float, total: int, most: Int64) -> Int64:
    """Return integers in proportion to `weights` that add up to `total`, none over its `most`."""
    shares = np.asarray(weights * (total / max(1.0, float(weights.sum()))), dtype=np.float64)
    return round_to_total(shares, total, most)


def round_to_total(shares: Float, total: int, most: Int64) -> Int64:
    """Return integers near `shares`, none over its `most`, that add up to `total`.

    The rest from rounding down goes to the largest remainders. The rest from the limits goes to
    places with room, in proportion to their room. `total` is limited to 0 to sum(most). Impossible
    times, from a damaged recording, are limited so that 64 bits can hold their sum.
    """
    most = np.clip(most, 0, MOST_TOTAL // max(1, len(most)))
    shares = np.clip(np.nan_to_num(shares), 0, most)
    floors = np.minimum(shares.astype(np.int64), most)
    total = min(max(0, total), int(most.sum()))
    left = total - int(floors.sum())
    while abs(left) > len(floors):  # at most twice: each round divides it by a double's 2**52
        room = most - floors if left > 0 else floors
        floors += (room * (left / int(room.sum()))).astype(np.int64)
        left = total - int(floors.sum())
    order = np.argsort(shares - floors, kind="stable")[::-1]
    while left:
        step = 1 if left > 0 else -1
        room = most - floors if left > 0 else floors
        for place in order[room[order] > 0][: abs(left)].tolist():
            floors[place] += step
            left -= step
    return floors
