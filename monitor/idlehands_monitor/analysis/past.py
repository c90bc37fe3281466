"""What is kept of a live job's past, pool by pool and between its pools."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .history import Keeping, PoolHistory
from .stranded import StrandedHistory

if TYPE_CHECKING:
    from ..ledger import Ledger


class Past(Keeping):
    """The settled seconds of every pool by its number, and of what was stranded between them."""

    def __init__(self) -> None:
        super().__init__()
        self.pools: dict[int, PoolHistory] = {}
        self.stranded = StrandedHistory()

    def extend(self, ledger: Ledger) -> None:
        """Add the seconds that have settled since the last call."""
        for number, pool in ledger.pools.items():
            if pool.workers:
                self.pools.setdefault(number, PoolHistory()).extend(pool, ledger.host)
        self.stranded.extend(ledger)
