"""The ledger: what has arrived of each pool, kept as tables. Pure: frames in, arrays out."""

from .ledger import HostCounters, Ledger
from .pool import Hole, OpenInterval, PoolLedger, WorkerThread
from .stacks import Dump, Samples, Stack, StackFrame, ThreadSample
from .store import TableStore

__all__ = [
    "Dump",
    "Hole",
    "HostCounters",
    "Ledger",
    "OpenInterval",
    "PoolLedger",
    "Samples",
    "Stack",
    "StackFrame",
    "TableStore",
    "ThreadSample",
    "WorkerThread",
]
