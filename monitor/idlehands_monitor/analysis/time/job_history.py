"""The cached history of a live job: worker time of each pool, stranded time between pools."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..stats.cache import Cache
from .history import PoolHistory
from .stranded import StrandedHistory

if TYPE_CHECKING:
    from ...ledger import Ledger

DAMAGED = (ArithmeticError, LookupError, ValueError)
"""Errors for a pool whose rows are each within the limits but contradict each other: tasks that
overlap, waits outside of tasks. Only the sweep over all rows can find that."""


class JobHistory(Cache):
    """The settled seconds of every pool, by its number, and the stranded time between pools."""

    def __init__(self) -> None:
        super().__init__()
        self.pools: dict[int, PoolHistory] = {}
        self.stranded = StrandedHistory()

    def extend(self, ledger: Ledger) -> None:
        """Add the seconds that have settled since the last call; forget old pools."""
        for number in self.pools.keys() - ledger.pools.keys():
            del self.pools[number]
        for number, pool in ledger.pools.items():
            if pool.workers:
                try:
                    self.pools.setdefault(number, PoolHistory()).extend(pool, ledger.host)
                except DAMAGED:  # it is then read without a history, which reports a failure
                    del self.pools[number]
        self.stranded.extend(ledger)
