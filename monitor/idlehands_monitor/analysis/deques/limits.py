"""The least data for a verdict on deques, and the share from which on a promise is kept."""

from __future__ import annotations

LEAST_TAKES = 30
"""Fewer takes with a choice than this give no verdict; common practice, no source."""
KEPT_SHARE = 0.9
"""Share of takes at the promised end from which on a promise counts as kept. A pool that takes one
of two tasks at random has a half, and delayed timestamps spoil a few takes in a hundred; common
practice, no source."""
MOST_UNPLACED = 0.1
"""With a larger share of tasks that were moved between deques there is no verdict."""
