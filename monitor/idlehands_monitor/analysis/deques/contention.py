"""Contention at the ends of a pool's deques: how often, how long it took, how full the deques were.

Pure. A contended operation had to wait for another one at the same deque, or lost its task to it.
With an owner at one end and thieves at the other, operations can only contend for the last task (D.
Chase, Y. Lev 2005, "Dynamic circular work-stealing deque", SPAA '05, 21–28). The pool reports
contended operations; they cannot be observed from outside.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import Recent
from ...model.deques import NEAR_EMPTY, ContentionReading, LengthReading
from ..stats.summary import quantile

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Int64

LENGTHS = (0, 1, 2, 4, 8, 16)
"""The groups of deque lengths begin with these."""
MOST_TIMESTAMPS = 20


def contention(
    pool: PoolLedger, begin_ns: int, end_ns: int, rebuilt_ns: int
) -> ContentionReading | None:
    """Return the contention reported in a window, None for a pool that never reports any.

    `rebuilt_ns`: the time from which on the pool's deques can be rebuilt.
    """
    if not pool.reports_contention and not len(pool.contended) and not pool.contended_lost:
        return None
    store = Recent(pool.contended, begin_ns)
    inside = (store["at_ns"] >= begin_ns) & (store["at_ns"] < end_ns)
    at, length, waited = (store[name][inside] for name in ("at_ns", "length", "waited_ns"))
    stealing = (store["worker"] != store["owner"])[inside]
    waits = waited[waited >= 0]
    longer = length > NEAR_EMPTY
    return ContentionReading(
        reported=pool.reports_contention,
        contended=len(at),
        lost=int(np.count_nonzero(waited < 0)),
        unknown=int(np.count_nonzero(length < 0)),
        missing=pool.contended_lost,
        near_empty=int(np.count_nonzero((length >= 0) & ~longer)),
        longer=int(np.count_nonzero(longer)),
        judged=int(np.count_nonzero(longer & (at >= rebuilt_ns))),
        waited_s=_waited_s(waited),
        thieves_s=_waited_s(waited[stealing]),
        longer_s=_waited_s(waited[longer]),
        median_s=quantile(waits, 0.5) / 1e9 if len(waits) else None,
        p99_s=quantile(waits, 0.99) / 1e9 if len(waits) else None,
        by_length=_by_length(length, waited),
        timestamps_ns=tuple(np.sort(at[longer])[:MOST_TIMESTAMPS].tolist()),
    )


def _waited_s(waited: Int64) -> float:
    return float(np.maximum(waited, 0).sum()) / 1e9


def _by_length(length: Int64, waited: Int64) -> tuple[LengthReading, ...]:
    found = []
    for least, following in zip(LENGTHS, (*LENGTHS[1:], None), strict=True):
        here = length >= least
        if following is not None:
            here &= length < following
        if here.any():
            found.append(
                LengthReading(
                    least,
                    None if following is None else following - 1,
                    int(np.count_nonzero(here)),
                    int(np.count_nonzero(here & (waited < 0))),
                    _waited_s(waited[here]),
                )
            )
    return tuple(found)
