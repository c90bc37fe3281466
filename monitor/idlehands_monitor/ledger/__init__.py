"""The ledger: what has arrived of each pool, as tables. Pure: checked frames in, arrays out."""

from .host import HostCounters, ProcessCounters, ProcessSample, SwitchSample
from .ledger import Ledger, Mark
from .open_intervals import OpenInterval
from .pool import Hole, PoolLedger, WorkerThread
from .stacks import Dump, Samples, Stack, StackFrame, ThreadSample
from .store import TableStore

__all__ = [
    "Dump",
    "Hole",
    "HostCounters",
    "Ledger",
    "Mark",
    "OpenInterval",
    "PoolLedger",
    "ProcessCounters",
    "ProcessSample",
    "Samples",
    "Stack",
    "StackFrame",
    "SwitchSample",
    "TableStore",
    "ThreadSample",
    "WorkerThread",
]
