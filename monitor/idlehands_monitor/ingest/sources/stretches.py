"""Times of samples: one at a random time in each stretch (stratified sampling).

So the samples do not keep step with a job that does something once a second.
"""

from __future__ import annotations

import random
from time import monotonic


class Stretches:
    """Divides time into stretches, and draws a random time in each."""

    def __init__(self) -> None:
        self._end = monotonic()

    def next(self, seconds: float) -> float:
        """Begin the next stretch of `seconds`; return the seconds from now to its random time."""
        now = monotonic()
        begin = max(self._end, now)
        self._end = begin + seconds
        return begin + random.random() * seconds - now  # noqa: S311 — to be uneven, not secret
