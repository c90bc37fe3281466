"""The ledger: what has arrived of each pool, kept as tables. Pure: frames in, arrays out."""

from .host import HostCounters, ProcessCounters, ProcessSample, SwitchSample
from .ledger import Ledger
from .pool import Hole, OpenInterval, PoolLedger, WorkerThread
from .store import TableStore

__all__ = [
    "Hole",
    "HostCounters",
    "Ledger",
    "OpenInterval",
    "PoolLedger",
    "ProcessCounters",
    "ProcessSample",
    "SwitchSample",
    "TableStore",
    "WorkerThread",
]
