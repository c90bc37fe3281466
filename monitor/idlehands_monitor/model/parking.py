"""What a reading says of parking: data only, computed by `analysis.parking`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SpinReading:
    """What spinning for spin_s before every park would have cost on the recorded waits.

    parks: how many waits would still have ended in a park. spun_s: worker time spent spinning.
    cost_s: spun_s plus the cost of those parks. saved_s: how much less this is than parking at
    once, negative where it is more. ratio: cost_s / the cost of a clairvoyant worker.
    """

    spin_s: float
    parks: int
    spun_s: float
    cost_s: float
    saved_s: float
    ratio: float


@dataclass(frozen=True, slots=True)
class ParkingReading:
    """How often workers parked, for how long, and how long a wake took to become work.

    window_s: the part of the window that this covers. parks: begun in it. wakes: parks that ended
    in it; median_s, p90_s, p99_s: their lengths. useful: wakes after which the worker began or
    resumed a task. wake_to_work_s, wake_to_work_p90_s: median and 90th percentile of the time from
    such a wake to the task, None where the pool does not report wakes. wasted: wakes after which
    the worker parked again without a task. park_cost_s: cost of one park and wake, measured as
    wake_to_work_s or given. spins: computed with park_cost_s, empty where it is not known.
    clairvoyant_s: the least that the waits could have cost.
    """

    window_s: float
    parks: int
    wakes: int
    median_s: float
    p90_s: float
    p99_s: float
    useful: int
    wasted: int
    wake_to_work_s: float | None
    wake_to_work_p90_s: float | None
    park_cost_s: float | None
    spins: tuple[SpinReading, ...]
    clairvoyant_s: float

    @property
    def best(self) -> SpinReading | None:
        """The cheapest of the spins, the shortest of equally cheap ones, None without any."""
        return min(self.spins, key=lambda spin: (spin.cost_s, spin.spin_s), default=None)
