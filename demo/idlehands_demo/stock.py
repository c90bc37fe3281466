"""The scenario `tide-archive` in a pool of the standard library: a task for each station-day.

The tasks are plain functions, as people hand them to such pools; the probe records them unasked.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures import TimeoutError as FutureTimeoutError
from dataclasses import dataclass, replace
from itertools import count
from typing import Any, Callable

import idlehands

from .archive import Archive, Totals, make_archive, shape_of
from .faults import Fault, PoolChoice
from .feeding import Feeder
from .plan import Plan
from .rectangle import Rectangle, singles
from .scenarios import Outcome, Settings
from .tape import Drive, Tape, UnreadableTape, check_page, tape_at


def station_day(drive: Drive, tape: Tape, attempt: int = 0, ballast: bytes = b"") -> Totals:
    """Task: read one tape. `ballast` is not needed for it."""
    return drive.read(tape, attempt)


def whole_batch(drive: Drive, tapes: Sequence[Tape]) -> Totals:
    """Task: read the tapes of a batch one after another."""
    totals = Totals()
    for tape in tapes:
        totals = totals.merged(drive.read(tape))
    return totals


def waiting_batch(executor: Executor, drive: Drive, tapes: Sequence[Tape]) -> Totals:
    """Task: hand the tapes of a batch to the pool that this task is in, and wait for them."""
    totals = Totals()
    for reading in [executor.submit(station_day, drive, tape) for tape in tapes]:
        totals = totals.merged(reading.result())
    return totals


class Reading:
    """A part that was handed in. A tape that could not be read is handed in again."""

    def __init__(self, submit: Callable[[int], Future[Totals]], stop: threading.Event) -> None:
        self._submit = submit
        self._stop = stop
        self._future = submit(0)

    @property
    def settled(self) -> bool:
        """Whether there is a result."""
        return self._future.done()

    def join(self, timeout: float | None = None) -> Totals:
        """Return the totals, of nothing when it was stopped before the task began."""
        for attempt in count(1):
            if self._stop.is_set() and self._future.cancel():
                return Totals()
            try:
                return self._future.result(timeout)
            except UnreadableTape:
                self._future = self._submit(attempt)
            except FutureTimeoutError:
                raise TimeoutError(f"not read within {timeout} s") from None
        raise AssertionError("unreachable: attempts do not end")


class StockPool:
    """An executor with counts of its own, which do not pass through the probe."""

    def __init__(self, choice: PoolChoice, workers: int, drive: Drive) -> None:
        self.workers = workers
        self.drive = drive
        self.executor: Executor = (
            ProcessPoolExecutor(workers)
            if choice is PoolChoice.PROCESSES
            else ThreadPoolExecutor(workers, thread_name_prefix="tide-archive")
        )
        self.steals: list[list[int]] = []
        self._counts = dict.fromkeys(("spawned", "finished", "failed", "cancelled"), 0)
        self._counting = threading.Lock()

    @property
    def tasks_finished(self) -> int:
        """Tasks run to their end, including those that raised."""
        return self._counts["finished"]

    @property
    def tasks_cancelled(self) -> int:
        """Tasks that were still queued when the run was stopped, and never ran."""
        return self._counts["cancelled"]

    def report(self) -> dict[str, Any]:
        """Return the counts, ready for JSON."""
        tasks = {
            f"tasks_{name}": self._counts[name] for name in ("finished", "failed", "cancelled")
        }
        return {"workers": self.workers, "spawned": self._counts["spawned"], **tasks}

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Hand a task in and count it, and count it again at its end."""
        future = self.executor.submit(function, *arguments)
        with self._counting:
            self._counts["spawned"] += 1
        future.add_done_callback(self._ended)
        return future

    def _ended(self, future: Future[Any]) -> None:
        with self._counting:
            if future.cancelled():
                self._counts["cancelled"] += 1
                return
            self._counts["finished"] += 1
            self._counts["failed"] += future.exception() is not None


@dataclass
class StockPass:
    """One pass over `archive` in a stock pool; with `nested`, tasks wait for tasks of theirs."""

    pool: StockPool
    archive: Archive
    stop: threading.Event
    plan: Plan
    nested: bool

    def hand_in(self, part: Rectangle) -> Reading:
        """Hand in one part: a batch as one task, or a station-day."""
        pool, drive = self.pool, self.pool.drive
        tapes = [
            tape_at(self.archive, self.plan, single.first_station, single.first_day)
            for single in singles(part)
        ]
        if self.nested:
            return Reading(
                lambda _: pool.submit(waiting_batch, pool.executor, drive, tapes), self.stop
            )
        if self.plan.whole_batches:
            return Reading(lambda _: pool.submit(whole_batch, drive, tapes), self.stop)
        (tape,) = tapes
        pages = self.plan.pages if not self.stop.is_set() else 0
        for page in [
            pool.submit(check_page, tape.block.packed, number, pages) for number in range(pages)
        ]:
            page.result()
        more = (bytes(self.plan.ballast),) if self.plan.ballast else ()
        return Reading(
            lambda attempt: pool.submit(station_day, drive, tape, attempt, *more), self.stop
        )


def plan_for_stock(fault: Fault, workers: int) -> Plan:
    """Return the fault's plan for a pool that does not divide: its batches are station-days."""
    plan = fault.plan
    if fault.switches.joins_block:
        # Three quarters of the workers wait for tasks that the rest runs.
        return replace(plan, batches_in_flight=max(1, workers * 3 // 4))
    if plan.whole_batches:
        return plan
    size, stuck = plan.stations, plan.stuck_days
    return replace(
        plan,
        stations=1,
        days=size * plan.days,
        prepare=plan.prepare / size,
        rewind_from=plan.rewind_from * size,
        stuck_days=range(size * stuck.start, size * stuck.stop),
    )


def run_stock_archive(settings: Settings, stop: threading.Event) -> Outcome:
    """Run passes in a pool of the standard library until `stop` is set or the time is over."""
    idlehands.install()
    deadline = None if settings.seconds is None else time.monotonic() + settings.seconds
    plan = plan_for_stock(settings.fault, settings.workers)
    archive = make_archive(shape_of(plan), settings.seed)
    drive = Drive(plan, stop)
    pool = StockPool(settings.pool, plan.workers or settings.workers, drive)
    outcome = Outcome(pools=[pool])
    with pool.executor:
        while not stop.is_set():
            one = StockPass(pool, archive, stop, plan, settings.fault.switches.joins_block)
            feeder = Feeder(one.hand_in, stop, deadline)
            totals = feeder.feed(plan, settings.workers, archive.shape)
            outcome.station_days += totals.station_days
            if not feeder.cut_short and not pool.tasks_cancelled:
                outcome.passes += 1
                outcome.totals_ok &= totals == archive.expected
    return outcome
