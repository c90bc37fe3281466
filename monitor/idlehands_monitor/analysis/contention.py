"""Who met whom at the ends of a pool's deques, how long it took, and how full the deques were.

Pure. A meeting is an operation that had to wait for another one at a deque, or lost its task to
it. With an owner at one end and thieves at the other they can only meet over the last task (D.
Chase, Y. Lev 2005, "Dynamic circular work-stealing deque", SPAA '05, 21–28); the pool tells of
them, for none can be seen from outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .moments import quantile
from .rows import Recent

if TYPE_CHECKING:
    from ..ledger import PoolLedger
    from .rows import Int64

NEAR_EMPTY = 1
"""A deque of as many tasks or fewer is near-empty: there is one that two can want."""
LENGTHS = (0, 1, 2, 4, 8, 16)
"""Lengths of deques are told in groups that begin with these."""
MOST_MOMENTS = 20


@dataclass(frozen=True, slots=True)
class LengthReading:
    """Meetings at deques of `least` to `most` tasks (None: without an upper end), and their waits.

    lost: meetings that lost a task rather than waited.
    """

    least: int
    most: int | None
    meetings: int
    lost: int
    waited_s: float


@dataclass(frozen=True, slots=True)
class ContentionReading:
    """What meetings at deque ends came to in a window.

    told: the pool says that it tells of every meeting. meetings: all, of which `lost` lost a task
    and `unknown` say no length; missing: rows of them that were lost, since the record began.
    near_empty, longer: those at deques of at most `NEAR_EMPTY` tasks, and of more; judged: of the
    latter, those from when on the deques are rebuilt. waited_s: all waiting, thieves_s that at
    others' deques, longer_s that at longer ones; median_s and p99_s of one wait, None without any.
    by_length: by the length of the deque. moments_ns: the first at longer deques.
    """

    told: bool
    meetings: int
    lost: int
    unknown: int
    missing: int
    near_empty: int
    longer: int
    judged: int
    waited_s: float
    thieves_s: float
    longer_s: float
    median_s: float | None
    p99_s: float | None
    by_length: tuple[LengthReading, ...]
    moments_ns: tuple[int, ...]

    @property
    def near_empty_share(self) -> float | None:
        """Share of the meetings of known length that were at a near-empty deque."""
        known = self.near_empty + self.longer
        return self.near_empty / known if known else None


def contention(
    pool: PoolLedger, begin_ns: int, end_ns: int, rebuilt_ns: int
) -> ContentionReading | None:
    """Return what was told of meetings in a window; None where the pool tells of none, ever.

    `rebuilt_ns`: from when on its deques are rebuilt.
    """
    if not pool.tells_meetings and not len(pool.meetings) and not pool.meetings_lost:
        return None
    store = Recent(pool.meetings, begin_ns)
    inside = (store["at_ns"] >= begin_ns) & (store["at_ns"] < end_ns)
    at, length, waited = (store[name][inside] for name in ("at_ns", "length", "waited_ns"))
    stealing = (store["worker"] != store["owner"])[inside]
    waits = waited[waited >= 0]
    longer = length > NEAR_EMPTY
    return ContentionReading(
        told=pool.tells_meetings,
        meetings=len(at),
        lost=int(np.count_nonzero(waited < 0)),
        unknown=int(np.count_nonzero(length < 0)),
        missing=pool.meetings_lost,
        near_empty=int(np.count_nonzero((length >= 0) & ~longer)),
        longer=int(np.count_nonzero(longer)),
        judged=int(np.count_nonzero(longer & (at >= rebuilt_ns))),
        waited_s=_waited_s(waited),
        thieves_s=_waited_s(waited[stealing]),
        longer_s=_waited_s(waited[longer]),
        median_s=quantile(waits, 0.5) / 1e9 if len(waits) else None,
        p99_s=quantile(waits, 0.99) / 1e9 if len(waits) else None,
        by_length=_by_length(length, waited),
        moments_ns=tuple(np.sort(at[longer])[:MOST_MOMENTS].tolist()),
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
