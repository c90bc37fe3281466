"""How a pool's workers used deques and parking in a window: what is judged of it, and how often.

Pure. The deques are rebuilt task by task, so a long capture is told of from its latest tasks, and
a live view, which reads several times a second, gets a new answer once a second.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ...ledger.detail import whole
from ...ledger.rows import MOST_LIVE_ROWS, MOST_ROWS, last_rows
from ...model.reading import STEALING
from ..parking.parking import parking
from .contention import contention
from .ends import ends
from .larger_steals import larger_steals
from .sizes import sizes

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.deques import ContentionReading, EndsReading, LargerStealsReading, SizesReading
    from ...model.parking import ParkingReading
    from ...model.worker_time import PoolTime


class DequeUse(NamedTuple):
    """The parts of a pool's reading; None where tasks went by without a row, or for no steals."""

    ends: EndsReading | None = None
    sizes: SizesReading | None = None
    parking: ParkingReading | None = None
    contention: ContentionReading | None = None
    larger_steals: LargerStealsReading | None = None


def deque_use(
    pool: PoolLedger, time: PoolTime, begin_ns: int, end_ns: int, *, live: bool
) -> DequeUse:
    """Return how deques and parking were used in a window whose worker time is `time`.

    `live`: for a view that has no time for more than the latest tasks.
    """
    if not whole(pool, time, begin_ns, end_ns):
        return DequeUse()
    since = last_rows(pool.tasks, begin_ns, MOST_LIVE_ROWS if live else MOST_ROWS)
    parked = parking(pool, since, end_ns)
    if pool.kind != STEALING:
        return DequeUse(parking=parked)
    kept = ends(pool, since, end_ns)
    return DequeUse(
        ends=kept,
        sizes=sizes(pool, since, end_ns),
        parking=parked,
        contention=contention(pool, begin_ns, end_ns, since),
        larger_steals=larger_steals(pool, since, end_ns, kept),
    )
