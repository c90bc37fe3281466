"""From the ledger and the reading of one capture to what is kept of it to compare it with others.

Beside `assemble` and `asking` the only module that puts the answers of several packages together.
Pure.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..model.whatif import Arrivals
from .contrast.runs import PoolRun, Run, lengths_by_kind, outside_tasks, together
from .whatif.arrivals import coming
from .whatif.scenario import measure

if TYPE_CHECKING:
    from ..ledger import Ledger
    from ..model.arrays import Float
    from ..model.reading import PoolReading, Reading


def run_of(ledger: Ledger, reading: Reading) -> Run:
    """Return what is kept of a capture; a pool's history and findings are those of its reading."""
    groups: dict[str, list[PoolReading]] = {}
    for pool in reading.pools:
        groups.setdefault(pool.name, []).append(pool)
    return Run(
        reading,
        {name: _pool(ledger, name, group) for name, group in groups.items()},
        is_whole=_is_whole(ledger, reading),
    )


def _is_whole(ledger: Ledger, reading: Reading) -> bool:
    """Return whether each pool was read from its declaration on to its end."""
    return all(_is_read_whole(ledger, pool) for pool in reading.pools)


def _is_read_whole(ledger: Ledger, reading: PoolReading) -> bool:
    held = ledger.pools[reading.number]
    from_its_begin = reading.begin_ns <= held.declared_ns
    if held.closed_ns >= 0:
        return from_its_begin and reading.end_ns >= held.closed_ns
    return from_its_begin and ledger.is_over and reading.end_ns >= held.complete_ns


def _pool(ledger: Ledger, name: str, group: list[PoolReading]) -> PoolRun:
    lengths: dict[str, list[Float]] = {}
    for reading in group:
        for kind, values in lengths_by_kind(ledger.pools[reading.number], reading).items():
            lengths.setdefault(kind, []).append(values)
    outside = together([outside_tasks(ledger.pools[one.number], one) for one in group])
    made = PoolRun(
        name,
        tuple(group),
        {kind: np.concatenate(parts) for kind, parts in lengths.items()},
        outside,
    )
    if not len(outside.came_ns):
        return made
    came, ended = outside.came_ns, outside.ended_ns
    return replace(
        made,
        arrivals=coming(came, ended).arrivals,
        rate=measure(Arrivals.CLOSED, came, ended) * outside.scale,
        p95_s=measure(Arrivals.OPEN, came, ended),
    )
