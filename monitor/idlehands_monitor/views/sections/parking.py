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
        f"{number_of(held.wakes, 'wake')}, {held.wasted} of them to no work"
    )
    # Whether to spin before parking is for those to decide who wrote the worker.
    rule = _cheapest_rule(held) if pool.has_steals else ""
    return Section("Parking", lead, (Sentence(rule),) if rule else ())


def _cheapest_rule(held: ParkingReading) -> str:
    best = held.best
    if best is None or held.park_cost_s is None:
        return ""
    spin = f"spinning {seconds(best.spin_s)} first" if best.spin_s else "parking at once"
    saved = f", {seconds(best.saved_s)} less than parking at once" if best.spin_s else ""
    return (
        f"A park with its wake cost {seconds(held.park_cost_s)}; {spin} would have been "
        f"the cheapest rule: {seconds(best.cost_s)}{saved}; a worker that knew the length of "
        f"each park in advance would have spent {seconds(held.clairvoyant_s)}"
    )
