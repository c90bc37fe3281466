"""The steps in which a pool gives up detail, and which tasks each step records.

A thinned pool records one task in `THINNING_FACTOR` and only counts the others. A task's number
decides: a task is recorded if its number has no bit in common with its pool's mask.
"""

from __future__ import annotations

FULL, NO_CPU, THINNED, COUNTED = range(4)
"""The steps: everything, no CPU times, one task in `THINNING_FACTOR`, only counts."""
THINNING_FACTOR = 16
"""A thinned pool records one task in so many; a power of two, for the mask."""
NO_TASK = (1 << 62) - 1
"""The mask with which no task is recorded: all numbers but 0 have a bit in common with it."""
MASKS = (0, 0, THINNING_FACTOR - 1, NO_TASK)
"""The mask of each step; 0 records every task."""
