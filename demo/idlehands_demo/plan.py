"""How an archive is handed in and how its tapes are read: the settings that a fault can change.

The healthy plan keeps each worker supplied and no more: as many station-days are in flight as there
are workers, and a batch that ends makes room for the next. The workers mostly wait for tapes, and
the tapes of a batch come nearly together. So every worker is needed, and more workers would have
nothing to do.
"""

from __future__ import annotations

from dataclasses import dataclass

TAPE_DELAY = 0.032
"""Mean wait for a tape in seconds: long beside the millisecond of computing after it."""


@dataclass(frozen=True)
class Plan:
    """The settings of one archive and of its feeding. Raises `ValueError` for impossible ones.

    Handing in: `stations` is the number of station-days in a batch and `days` that of batches in a
    pass. `batches_in_flight` at a time; 0 stands for as many as give each worker one station-day.
    `workers` of the pool, 0 for as many as were asked for. `prepare` is how many seconds the one
    submitter computes before each hand-in. With `barrier` one station-day for each worker is handed
    in at a time, and the next ones when all of them have ended; with `paced` batches are handed in
    by the clock.

    Dividing: a `flat` batch is divided into station-days at once; tapes of `long_station` take
    `long_factor` times as long. `whole_batches` are read by one task each, `chained` station-days
    follow one another, `pages` is the number of tasks in which the pages of each tape are checked.

    Reading: `delay_factor` multiplies the wait for a tape, which is about as long for all tapes of
    a day, or, with `uneven`, varies as the times between random arrivals do. `rewind` is a further
    wait, in waits for the tape, from day `rewind_from` on. `one_lock` is held while a tape is
    wound. With `computing` the tape is searched in plain Python instead of wound. `failing` is the
    share of readings that raise. The tapes of `stuck_days` never come. `ballast` is the number of
    bytes that each task takes along to its worker.
    """

    stations: int = 4
    days: int = 160
    batches_in_flight: int = 0
    workers: int = 0
    prepare: float = 0.0
    barrier: bool = False
    paced: bool = False
    flat: bool = False
    long_station: int = 0
    long_factor: float = 1.0
    whole_batches: bool = False
    chained: bool = False
    pages: int = 0
    delay_factor: float = 1.0
    uneven: bool = False
    rewind: float = 0.0
    rewind_from: int = 0
    one_lock: bool = False
    computing: bool = False
    failing: float = 0.0
    stuck_days: range = range(0)
    ballast: int = 0

    def __post_init__(self) -> None:
        if min(self.stations, self.days) < 1 or self.pages < 0 or not 0.0 <= self.failing < 1.0:
            raise ValueError("a plan has stations, days, and readings that do not fail")

    def streams(self, workers: int) -> int:
        """Batches in flight at a time, for a pool of which `workers` workers were asked."""
        return self.batches_in_flight or max(1, workers // self.stations)

    def interval(self, workers: int) -> float:
        """Seconds from one hand-in to the next at which `workers` workers could just keep up."""
        return self.stations * TAPE_DELAY / workers
