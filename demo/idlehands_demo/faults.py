"""Faults that can be planted into a scenario, by name."""

from __future__ import annotations

from dataclasses import dataclass, field

from .switches import Switches


@dataclass(frozen=True)
class Fault:
    """One planted fault: switches of the pool, or a change of the archive.

    `delay_factor` multiplies the mean wait for a tape; with `one_station` the archive has a single
    station whose days follow one another in a chain. `scenario`: the only scenario in which it can
    be planted, empty for any.
    """

    name: str
    description: str
    switches: Switches = field(default_factory=Switches)
    delay_factor: float = 1.0
    one_station: bool = False
    scenario: str = ""


NO_FAULT = Fault("none", "nothing is wrong")

FAULTS: dict[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault(
            "early-park",
            "a worker parks after one failed steal attempt and starves beside queued tasks",
            Switches(parks_after_one_failed_attempt=True),
        ),
        Fault("slow-tapes", "tapes take 15 times as long: workers are blocked", delay_factor=15.0),
        Fault(
            "single-station",
            "one station, one day after the other: work for one worker at a time",
            one_station=True,
        ),
        Fault(
            "fixed-victims",
            "thieves always try victims in ascending order",
            Switches(victims_in_fixed_order=True),
        ),
        Fault(
            "nearest-neighbour",
            "thieves always try their neighbours first",
            Switches(victims_nearest_neighbour=True),
        ),
        Fault(
            "thieves-take-newest",
            "thieves take the newest, smallest task",
            Switches(thieves_take_newest=True),
        ),
        Fault(
            "owners-take-oldest",
            "owners take their oldest, largest task first",
            Switches(owners_take_oldest=True),
        ),
        Fault(
            "crossed-pools",
            "thieves also take tasks of the other pool",
            Switches(steals_across_pools=True),
            scenario="twin-archives",
        ),
        Fault(
            "global-lock",
            "one lock, with a journal under it, is held around every operation on any deque",
            Switches(global_lock_around_deques=True),
        ),
    )
}
