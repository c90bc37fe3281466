"""The scenarios `tide-archive` and `twin-archives`: evaluate invented archives by halving them.

The archive, a rectangle of stations x days, is handed to the pool day by day, as a plan says. A
task halves the longer side of its rectangle until single station-days are left, each of which
waits for its tape and then has it evaluated. After each complete pass the totals are compared
with the planted truth.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from itertools import count
from typing import NamedTuple

from .archive import Archive, Totals, make_archive, shape_of
from .feeding import Feeder
from .plan import Plan
from .pool import WorkStealingPool, pair
from .rectangle import Rectangle, singles
from .scenarios import Outcome, Settings
from .station_day import evaluate
from .tape import Drive, UnreadableTape, tape_at
from .task import Task


@dataclass
class TidePass:
    """One pass over `archive` in `pool`. `stop` ends it early and sets `cut_short`.

    `workers` is the number of workers that the plan is to keep supplied.
    """

    pool: WorkStealingPool
    archive: Archive
    stop: threading.Event
    plan: Plan = field(default_factory=Plan)
    workers: int = 8
    cut_short: bool = False

    def __post_init__(self) -> None:
        self._drive = Drive(self.plan, self.stop, self.pool.sleep)

    def batch(self, part: Rectangle) -> Totals:
        """Task: evaluate one batch, which may be as small as a single station-day."""
        if self.plan.whole_batches:
            return self._one_by_one(part)
        if part.station_days == 1:
            return self._result(part, self._spawn(part))
        return self.divide(part)

    def divide(self, part: Rectangle) -> Totals:
        """Task: evaluate a rectangle by spawning its halves, or all its parts, and merging them."""
        if self._stopped():
            return Totals()
        parts = list(singles(part)) if self.plan.flat else list(part.halves())
        spawned = [(each, self._spawn(each)) for each in parts]
        totals = Totals()
        # The newest first: it is the one this worker gets from its own deque.
        for each, task in reversed(spawned):
            totals = self._result(each, task).merged(totals)
        return totals

    def chain(self, part: Rectangle) -> Totals:
        """Task: evaluate a rectangle one station-day after the other, a task each, in order."""
        totals = Totals()
        for single in singles(part):
            if self._stopped():
                return totals
            totals = totals.merged(self._result(single, self._spawn(single)))
        return totals

    def station_day(self, part: Rectangle, attempt: int = 0) -> Totals:
        """Task: wait for the tape of one station-day and have it evaluated."""
        if self._stopped():
            return Totals()
        tape = tape_at(self.archive, self.plan, part.first_station, part.first_day)
        self._drive.fetch(tape, attempt)
        if self.pool.switches.joins_block:  # every worker might wait for such a task
            return evaluate(tape.block, tape.datum)
        # Less than a station-day, so its size is 0.
        task = self.pool.spawn(evaluate, tape.block, tape.datum, kind="evaluate", size=0)
        return task.join()

    def run(self, deadline: float | None) -> Totals:
        """Evaluate all days from outside the pool; set `stop` at the monotonic `deadline`."""
        feeder = Feeder(self._hand_in, self.stop, deadline)
        totals = feeder.feed(self.plan, self.workers, self.archive.shape)
        self.cut_short = self.cut_short or feeder.cut_short
        return totals

    def _hand_in(self, part: Rectangle) -> Task[Totals]:
        if self.plan.barrier:
            return self.pool.submit(self.station_day, part, kind="station-day", size=1)
        work, kind = (self.chain, "chain") if self.plan.chained else (self.batch, "batch")
        return self.pool.submit(work, part, kind=kind, size=part.station_days)

    def _one_by_one(self, part: Rectangle) -> Totals:
        totals = Totals()
        for single in singles(part):
            if self._stopped():
                break
            tape = tape_at(self.archive, self.plan, single.first_station, single.first_day)
            totals = totals.merged(self._drive.read(tape))
        return totals

    def _spawn(self, part: Rectangle, attempt: int = 0) -> Task[Totals]:
        size = part.station_days
        if size == 1:
            return self.pool.spawn(self.station_day, part, attempt, kind="station-day", size=1)
        return self.pool.spawn(self.divide, part, kind="divide", size=size)

    def _result(self, part: Rectangle, task: Task[Totals]) -> Totals:
        """Join a task; a tape that could not be read is read again."""
        for attempt in count(1):
            try:
                return task.join()
            except UnreadableTape:
                task = self._spawn(part, attempt)
        raise AssertionError("unreachable: attempts do not end")

    def _stopped(self) -> bool:
        if self.stop.is_set():
            self.cut_short = True
        return self.cut_short


def run_tide_archive(settings: Settings, stop: threading.Event) -> Outcome:
    """Run passes until `stop` is set or `settings.seconds` are over."""
    deadline = _deadline(settings)
    outcome = Outcome()
    plan, switches = settings.fault.plan, settings.fault.switches
    workers = plan.workers or settings.workers
    with WorkStealingPool(workers, "tide-archive", settings.seed, switches) as pool:
        passes = Passes(pool, plan, settings.workers, settings.seed)
        passes.run(deadline, stop, outcome)
    outcome.pools.append(pool)
    return outcome


def run_twin_archives(settings: Settings, stop: threading.Event) -> Outcome:
    """Run passes over two archives, each in a pool of half the workers, at least one."""
    deadline = _deadline(settings)
    outcomes = Outcome(), Outcome()
    fault = settings.fault
    half = max(1, settings.workers // 2)
    workers = fault.plan.workers or half
    seeds = settings.seed, settings.seed + 1
    with (
        WorkStealingPool(workers, "north-archive", seeds[0], fault.switches) as north,
        WorkStealingPool(workers, "south-archive", seeds[1], fault.switches) as south,
    ):
        pair(north, south)
        plans = fault.plan, fault.second_plan or fault.plan
        runs = [
            threading.Thread(
                target=Passes(pool, plan, half, seed).run, args=(deadline, stop, outcome)
            )
            for pool, plan, seed, outcome in zip((north, south), plans, seeds, outcomes)
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


class Passes(NamedTuple):
    """Passes of one pool, one after another, over the archive of `seed`.

    `workers` is the number of workers that the plan is to keep supplied.
    """

    pool: WorkStealingPool
    plan: Plan
    workers: int
    seed: int

    def run(self, deadline: float | None, stop: threading.Event, outcome: Outcome) -> None:
        """Run passes until `stop` is set, and count them in `outcome`."""
        archive = make_archive(shape_of(self.plan), self.seed)
        while not stop.is_set():
            one = TidePass(self.pool, archive, stop, self.plan, self.workers)
            totals = one.run(deadline)
            outcome.station_days += totals.station_days
            if not one.cut_short:
                outcome.passes += 1
                outcome.totals_ok &= totals == archive.expected
