"""How a pool's workers used their deques in a window: all that the package knows, together.

Pure. The deques are rebuilt task by task, so only the latest tasks of a long capture are judged.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.deques import DequesReading
from .contention import contention
from .ends import ends
from .larger_steals import larger_steals
from .sizes import sizes

if TYPE_CHECKING:
    from ...ledger import PoolLedger


def deques(pool: PoolLedger, begin_ns: int, end_ns: int, since: int) -> DequesReading:
    """Return how the deques of a pool that steals were used in a window with full detail.

    `since`: the time in ns from which on the deques are rebuilt.
    """
    found = ends(pool, since, end_ns)
    return DequesReading(
        ends=found,
        sizes=sizes(pool, since, end_ns),
        contention=contention(pool, begin_ns, end_ns, since),
        larger_steals=larger_steals(pool, since, end_ns, found),
    )
