"""What-if questions about a reading: from the ledger's rows to a plan of simulated runs, and from
its answers to the causes that the reading names.

Beside `assemble` the only module that puts the answers of several packages together. Pure.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from idlehands.wire import NONE

from .time.worker_time import pool_time
from .verdicts.causes import caused, stranded
from .verdicts.unsimulated import not_simulated
from .whatif.planning import Plan, plan
from .whatif.recording import PoolInput

if TYPE_CHECKING:
    from ..ledger import Ledger, PoolLedger
    from ..model.changes import Question
    from ..model.reading import PoolReading, Reading
    from ..model.whatif import WhatIfPool

NO_HOST = 1
"""Usable cores where nothing was reported of the host."""


def ask(ledger: Ledger, reading: Reading, question: Question) -> Plan:
    """Return what to simulate to answer a question about the pools of a reading.

    Raises `WhatIfError` where it cannot be answered.
    """
    return plan([_input(ledger, reading, pool) for pool in reading.pools], question)


def with_causes(reading: Reading, answered: tuple[WhatIfPool, ...]) -> Reading:
    """Return a reading whose findings are causes, as far as its pools have been simulated."""
    by_number = {pool.number: pool for pool in answered if pool.number >= 0}
    pools = tuple(
        _caused(pool, by_number[pool.number]) if pool.number in by_number else pool
        for pool in reading.pools
    )
    for several in answered:
        if several.number < 0:
            pools = stranded(pools, several)
    return replace(reading, pools=pools)


def by_shares(reading: Reading, why: str = "nothing has been simulated yet") -> Reading:
    """Return a reading of which nothing has been simulated: its findings are those by rules and by
    shares of the worker time. why: what they say in place of a gain."""
    pools = (replace(pool, findings=not_simulated(pool, why)) for pool in reading.pools)
    return replace(reading, pools=tuple(pools))


def _caused(pool: PoolReading, answered: WhatIfPool) -> PoolReading:
    """Return a reading with the causes, and the curve, that the answers for its pool give."""
    curve = None if answered.refused else answered.curve
    return replace(caused(pool, answered), curve=curve, curve_unit=answered.unit)


def _input(ledger: Ledger, reading: Reading, pool: PoolReading) -> PoolInput:
    held = ledger.pools[pool.number]
    time = pool_time(held, ledger.host, pool.begin_ns, pool.end_ns)
    known = (host.usable_cores for host in reading.host)
    cores = min(known, default=float(reading.source.cores or NO_HOST))
    busy = _busy_beside(ledger, held, pool)
    return PoolInput(held, pool, time.in_task, cores, busy)


def _busy_beside(ledger: Ledger, held: PoolLedger, pool: PoolReading) -> float:
    """Return how many threads of the pool's process that are no workers were on a core or ready.

    The mean over the window.
    """
    workers = {thread.native_id for thread in held.threads.values()}
    origin = ledger.origins.get(pool.pid) or ledger.origins.get(NONE)
    beside = origin.beside - workers if origin is not None else ()
    sampled = (ledger.host.between(one, pool.begin_ns, pool.end_ns) for one in beside)
    busy = sum(on_core + ready for on_core, ready, _ in sampled)
    return busy / max(1, pool.end_ns - pool.begin_ns)
