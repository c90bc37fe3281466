"""What-if questions about a reading: from the ledger's rows to a plan of simulated runs.

Beside `assemble` the only module that puts the answers of several packages together. Pure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .time.pool_times import pool_times
from .whatif.planning import Plan, plan
from .whatif.recording import PoolInput

if TYPE_CHECKING:
    from ..ledger import Ledger
    from ..model.changes import Question
    from ..model.reading import PoolReading, Reading

NO_HOST = 1
"""Usable cores where nothing was reported of the host."""


def ask(ledger: Ledger, reading: Reading, question: Question) -> Plan:
    """Return what to simulate to answer a question about the pools of a reading.

    Raises `WhatIfError` where it cannot be answered.
    """
    return plan([_input(ledger, reading, pool) for pool in reading.pools], question)


def _input(ledger: Ledger, reading: Reading, pool: PoolReading) -> PoolInput:
    held = ledger.pools[pool.number]
    times = pool_times(held, ledger.host, pool.begin_ns, pool.end_ns, None)
    known = (host.usable_cores for host in reading.host)
    cores = min(known, default=float(reading.source.cores or NO_HOST))
    return PoolInput(held, pool, times.in_window.in_task, cores)
