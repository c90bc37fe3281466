"""What a reading says of parking: frozen parts of it, nothing is computed here but a choice."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SpinReading:
    """What spinning for spin_s before every park would have come to on the recorded waits.

    parks: how many waits would still have led to a park; spun_s: worker time spent spinning;
    cost_s: that and the cost of those parks; saved_s: how much less than parking at once, negative
    where it is more; ratio: cost_s by what a clairvoyant would have paid.
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

    window_s: the stretch that is told of. parks: begun in it; wakes: parks ended in it, and their
    length: median, 90 and 99 of 100 below. useful: wakes after which the worker began or resumed a
    task; wake_to_work_s: median time to it from the wake, p90 likewise, None where the pool does
    not say when it wakes. wasted: wakes after which it parked again without any.
    park_cost_s: of a park-and-wake, measured as wake_to_work_s or given; spins: weighed with it,
    empty where it is not known; clairvoyant_s: the least that the waits could have cost.
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
        """The cheapest of the spins, the shortest where several are."""
        return min(self.spins, key=lambda spin: (spin.cost_s, spin.spin_s), default=None)
