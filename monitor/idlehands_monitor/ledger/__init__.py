"""The ledger: what has arrived of each pool, kept as tables. Pure: frames in, arrays out."""

from .ledger import HostCounters, Ledger
from .pool import Hole, OpenInterval, PoolLedger, WorkerThread
from .store import TableStore

__all__ = [
    "Hole",
    "HostCounters",
    "Ledger",
    "OpenInterval",
    "PoolLedger",
    "TableStore",
    "WorkerThread",
]
