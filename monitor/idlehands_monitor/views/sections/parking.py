"""How a pool's workers parked, and what spinning first would have done."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..formatting import number_of, seconds
from .facts import Section, Sentence

if TYPE_CHECKING:
    from ...model.parking import ParkingReading
    from ...model.reading import PoolReading


def parking(pool: PoolReading) -> Section | None:
    """Return the parks and wakes of a pool; None where they are not known."""
    held = pool.parking
    if held is None:
        return None
    to_work = (
        f"; from a wake to work {seconds(held.wake_to_work_s)}"
        if held.wake_to_work_s is not None
        else ""
    )
    lead = (
        f"{held.parks / held.window_s:.1f} parks/s, median "
        f"{seconds(held.median_s)}, 99 of 100 under {seconds(held.p99_s)}{to_work} (median); "
        f"{number_of(held.wakes, 'wake')}, {_wasted(held.wasted)}"
    )
    # Only the author of the worker decides whether it spins before parking.
    rule = _cheapest_rule(held) if pool.has_steals else ""
    return Section("Parking", lead, (Sentence(rule),) if rule else ())


def _wasted(wakes: int) -> str:
    return f"{wakes} of them led to no task" if wakes else "each led to a task"


def _cheapest_rule(held: ParkingReading) -> str:
    best = held.best
    if best is None or held.park_cost_s is None:
        return ""
    known = f"a worker that knew each park's length would spend {seconds(held.clairvoyant_s)}"
    each = f"A park with its wake cost {seconds(held.park_cost_s)}"
    if not best.spin_s:
        return f"{each}, all together {seconds(best.cost_s)}; spinning first costs more; {known}"
    return (
        f"{each}; spinning {seconds(best.spin_s)} first would cost {seconds(best.cost_s)} in all, "
        f"{seconds(best.saved_s)} less than parking at once; {known}"
    )
