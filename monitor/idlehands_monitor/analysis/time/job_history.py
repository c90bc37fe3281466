"""What is kept of a live job's past, pool by pool and between its pools."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..stats.cache import Cache
from .history import PoolHistory
from .stranded import StrandedHistory

if TYPE_CHECKING:
    from ...ledger import Ledger

DAMAGED = (ArithmeticError, LookupError, ValueError)
"""What working out a pool raises whose rows, each within its limits, contradict each other: tasks
that overlap, waits outside of tasks. Only the sweep over all rows can tell."""


class JobHistory(Cache):
    """The settled seconds of every pool by its number, and of what was stranded between them."""

    def __init__(self) -> None:
        super().__init__()
        self.pools: dict[int, PoolHistory] = {}
        self.stranded = StrandedHistory()

    def extend(self, ledger: Ledger) -> None:
        """Add the seconds that have settled since the last call; let go of pools that are gone."""
        for number in self.pools.keys() - ledger.pools.keys():
            del self.pools[number]
        for number, pool in ledger.pools.items():
            if pool.workers:
                try:
                    self.pools.setdefault(number, PoolHistory()).extend(pool, ledger.host)
                except DAMAGED:  # it is read without a past, and said if that cannot be done either
                    del self.pools[number]
        self.stranded.extend(ledger)
