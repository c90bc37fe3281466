"""From how much data on a promise about deques is judged, and from which share on it is kept."""

from __future__ import annotations

LEAST_TAKES = 30
"""Fewer takes with a choice than this tell nothing of a promise; common practice, no source."""
KEPT_SHARE = 0.9
"""Share of takes at the promised end from which on a promise counts as kept. A pool that takes at
random from two tasks has a half, and stamps that a thread switch delays spoil a few in a hundred;
common practice, no source."""
MOST_UNPLACED = 0.1
"""Share of takes of tasks that were moved between deques above which nothing is told."""
