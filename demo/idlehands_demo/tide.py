"""The scenarios `tide-archive` and `twin-archives`: evaluate invented archives by halving them.

The archive, a rectangle of stations x days, is handed to the pool in batches of a few
days, each when the one before is done, so work runs short at the end of every batch. A
task halves the longer side of its rectangle until single station-days are left, which
wait for their tape and then compute. After each complete pass the totals are compared
with the planted truth.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from typing import NamedTuple

from .archive import Archive, ArchiveShape, Totals, make_archive
from .pool import WorkStealingPool, pair
from .scenarios import Outcome, Settings
from .station_day import evaluate
from .task import Task

BATCHES = 48
ONE_STATION_DAYS = 960


class Rectangle(NamedTuple):
    """Stations and days of a part of the archive; the upper ends do not belong to it."""

    first_station: int
    end_station: int
    first_day: int
    end_day: int

    @property
    def station_days(self) -> int:
        """Number of station-days in it."""
        return (self.end_station - self.first_station) * (self.end_day - self.first_day)

    def halves(self) -> tuple[Rectangle, Rectangle]:
        """Cut the longer side in the middle."""
        if self.end_station - self.first_station > self.end_day - self.first_day:
            middle = (self.first_station + self.end_station) // 2
            return self._replace(end_station=middle), self._replace(first_station=middle)
        middle = (self.first_day + self.end_day) // 2
        return self._replace(end_day=middle), self._replace(first_day=middle)


def batches(shape: ArchiveShape, count: int = BATCHES) -> list[Rectangle]:
    """Cut the archive by days into `count` batches as equal as possible, none empty."""
    ends = [shape.days * number // count for number in range(count + 1)]
    return [
        Rectangle(0, shape.stations, first, end)
        for first, end in zip(ends, ends[1:])
        if end > first
    ]


@dataclass
class TidePass:
    """One pass over `archive` in `pool`. `stop` ends it early and sets `cut_short`."""

    pool: WorkStealingPool
    archive: Archive
    stop: threading.Event
    cut_short: bool = False

    def divide(self, part: Rectangle) -> Totals:
        """Task: evaluate a rectangle by spawning its two halves and merging them."""
        if self._stopped():
            return Totals()
        first, second = (self._spawn(half) for half in part.halves())
        # The newest first: it is the one this worker gets from its own deque.
        later = second.join()
        return first.join().merged(later)

    def chain(self, part: Rectangle) -> Totals:
        """Task: evaluate a rectangle one station-day after the other, in order."""
        totals = Totals()
        for station in range(part.first_station, part.end_station):
            for day in range(part.first_day, part.end_day):
                if self._stopped():
                    return totals
                single = Rectangle(station, station + 1, day, day + 1)
                totals = totals.merged(self._spawn(single).join())
        return totals

    def station_day(self, part: Rectangle) -> Totals:
        """Task: wait for the tape of one station-day and evaluate it."""
        if self._stopped():
            return Totals()
        place = part.first_station, part.first_day
        self.pool.sleep(float(self.archive.delay[place]))
        block = self.archive.blocks[int(self.archive.block_of[place])]
        return evaluate(block, int(self.archive.datum[place]))

    def _spawn(self, part: Rectangle) -> Task[Totals]:
        size = part.station_days
        if size == 1:
            return self.pool.spawn(self.station_day, part, kind="station-day", size=1)
        return self.pool.spawn(self.divide, part, kind="divide", size=size)

    def _stopped(self) -> bool:
        if self.stop.is_set():
            self.cut_short = True
        return self.cut_short

    def run(self, chained: bool, deadline: float | None) -> Totals:
        """Evaluate all batches from outside the pool; set `stop` at the monotonic `deadline`."""
        totals = Totals()
        for part in batches(self.archive.shape):
            if self._stopped():
                break
            work, kind = (self.chain, "chain") if chained else (self.batch, "batch")
            task = self.pool.submit(work, part, kind=kind, size=part.station_days)
            totals = totals.merged(_join_by(task, deadline, self.stop))
        return totals

    def batch(self, part: Rectangle) -> Totals:
        """Task: evaluate one batch, which may be as small as a single station-day."""
        return self._spawn(part).join() if part.station_days == 1 else self.divide(part)


def _join_by(task: Task[Totals], deadline: float | None, stop: threading.Event) -> Totals:
    if deadline is not None:
        try:
            return task.join(timeout=max(0.0, deadline - time.monotonic()))
        except TimeoutError:
            stop.set()
    return task.join()


def run_tide_archive(settings: Settings, stop: threading.Event) -> Outcome:
    """Run passes until `stop` is set or `settings.seconds` are over."""
    deadline = _deadline(settings)
    outcome = Outcome()
    switches = settings.fault.switches
    with WorkStealingPool(settings.workers, "tide-archive", settings.seed, switches) as pool:
        _passes(pool, settings, settings.seed, deadline, stop, outcome)
    outcome.pools.append(pool)
    return outcome


def run_twin_archives(settings: Settings, stop: threading.Event) -> Outcome:
    """Run passes over two archives, each in a pool of half the workers, at least one."""
    deadline = _deadline(settings)
    outcomes = Outcome(), Outcome()
    seeds = settings.seed, settings.seed + 1
    half = max(1, settings.workers // 2)
    switches = settings.fault.switches
    with (
        WorkStealingPool(half, "north-archive", seeds[0], switches) as north,
        WorkStealingPool(half, "south-archive", seeds[1], switches) as south,
    ):
        pair(north, south)
        runs = [
            threading.Thread(target=_passes, args=(pool, settings, seed, deadline, stop, outcome))
            for pool, seed, outcome in zip((north, south), seeds, outcomes)
        ]
        for run in runs:
            run.start()
        for run in runs:
            run.join()
    both = outcomes[0].merged(outcomes[1])
    both.pools += [north, south]
    return both


def _deadline(settings: Settings) -> float | None:
    return None if settings.seconds is None else time.monotonic() + settings.seconds


def _passes(
    pool: WorkStealingPool,
    settings: Settings,
    seed: int,
    deadline: float | None,
    stop: threading.Event,
    outcome: Outcome,
) -> None:
    """Run passes over the archive of `seed` and count them in `outcome`."""
    fault = settings.fault
    shape = ArchiveShape()
    shape = replace(shape, tape_delay=shape.tape_delay * fault.delay_factor)
    if fault.one_station:
        shape = replace(shape, stations=1, days=ONE_STATION_DAYS)
    archive = make_archive(shape, seed)
    while not stop.is_set():
        one = TidePass(pool, archive, stop)
        totals = one.run(fault.one_station, deadline)
        outcome.station_days += totals.station_days
        if not one.cut_short:
            outcome.passes += 1
            outcome.totals_ok &= totals == archive.expected
