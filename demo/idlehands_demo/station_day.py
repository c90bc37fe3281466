"""The work on one station-day: decompress, check, remove spikes, summarise.

Pure functions of a stored block; waiting for the tape and the pool are elsewhere.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

from .archive import HIGH_WATER_MM, Block, Totals

WINDOW = 9
"""Samples in the running median: wide enough that an isolated spike never is the median."""

LEAST_SPIKE_MM = 250
ROBUST_FACTOR = 10
ROUNDS = 2


def running_median(levels: NDArray[np.int16], window: int = WINDOW) -> NDArray[np.int16]:
    """Return the median of the `window` (odd) samples around each, mirrored at the ends."""
    half = window // 2
    padded = np.pad(levels, half, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, window)
    # Partitioning is one long call without the interpreter's lock, so workers overlap.
    middle: NDArray[np.int16] = np.partition(windows, half, axis=1)[:, half]
    return middle


def find_spikes(levels: NDArray[np.int16]) -> NDArray[np.bool_]:
    """Mark the samples (shape as `levels`, mm) that stand out from the running median.

    A sample is a spike when it differs by more than `LEAST_SPIKE_MM` and by more than
    `ROBUST_FACTOR` times the median absolute difference, a scale that spikes themselves
    hardly move. A second round looks again with the spikes of the first one replaced.
    """
    spikes = np.zeros(levels.shape, dtype=np.bool_)
    cleaned = levels
    for _ in range(ROUNDS):
        middle = running_median(cleaned)
        difference = np.abs(cleaned.astype(np.int32) - middle)
        scale = int(np.partition(difference, len(difference) // 2)[len(difference) // 2])
        found = difference > max(LEAST_SPIKE_MM, ROBUST_FACTOR * scale)
        spikes |= found
        cleaned = np.where(found, middle, cleaned)
    return spikes


def evaluate(block: Block, datum: int) -> Totals:
    """Return the totals of one station-day, its levels shifted by `datum` mm.

    A block whose checksum is wrong counts as damaged and adds nothing else.
    """
    raw = zlib.decompress(block.packed)
    if zlib.crc32(raw) != block.checksum:
        return Totals(station_days=1, damaged=1)
    levels = np.frombuffer(raw, dtype="<i2")
    spikes = find_spikes(levels)
    kept = levels[~spikes].astype(np.int32) + datum
    return Totals(
        station_days=1,
        spikes=int(np.count_nonzero(spikes)),
        kept=len(kept),
        sum_mm=int(kept.sum(dtype=np.int64)),
        lowest_mm=int(kept.min()),
        highest_mm=int(kept.max()),
        high_water=int(np.count_nonzero(kept > HIGH_WATER_MM + datum)),
    )
