"""What is judged of a pool's scheduler over one window; a live view may show it seconds late."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .deques import DequesReading

if TYPE_CHECKING:
    from .graph import GraphReading
    from .parking import ParkingReading
    from .promises import PromiseReading
    from .queueing import BalanceReading, QueueingReading
    from .stealing import StealingReading
    from .workers import SpeedReading

NO_DEQUES = DequesReading()


@dataclass(frozen=True, slots=True)
class SchedulerReading:
    """One part for each question about a scheduler; None where there is too little data for it.

    stealing: None where workers have no deques. graph: None where no task began and ended in the
    window, or too many did. slowest: the worker that is slowest against its siblings.
    """

    promises: tuple[PromiseReading, ...] = ()
    deques: DequesReading = NO_DEQUES
    parking: ParkingReading | None = None
    graph: GraphReading | None = None
    stealing: StealingReading | None = None
    queueing: QueueingReading | None = None
    balance: BalanceReading | None = None
    slowest: SpeedReading | None = None
