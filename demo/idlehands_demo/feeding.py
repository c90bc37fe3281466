"""Handing work in from outside a pool: so much in flight, group after group, or by the clock."""

from __future__ import annotations

import threading
import time
import zlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Callable, Protocol

from .archive import ArchiveShape, Totals
from .plan import Plan
from .rectangle import Rectangle, days, single_station_days

PAGE_BYTES = 1 << 20
"""A page of the catalogue of tapes: long enough for the interpreter lock to be released."""


class Handle(Protocol):
    """What was handed in, until its result has been taken."""

    @property
    def settled(self) -> bool:
        """Whether there is a result."""

    def join(self, timeout: float | None = None) -> Totals:
        """Return the result. Raises `TimeoutError` after `timeout` seconds without one."""


@dataclass
class Feeder:
    """Hands parts of an archive in and sums up what comes back.

    `hand_in` takes a part and returns its handle. `deadline`, on the monotonic clock in seconds:
    `stop` is set then. `cut_short`: it was set before all parts had been handed in.
    """

    hand_in: Callable[[Rectangle], Handle]
    stop: threading.Event
    deadline: float | None
    cut_short: bool = False

    def feed(self, plan: Plan, workers: int, shape: ArchiveShape) -> Totals:
        """Hand a whole archive in, as `plan` says, so that it keeps `workers` workers supplied."""
        if plan.barrier:
            return self.group_by_group(self._until_stopped(single_station_days(shape)), workers)
        parts = self._until_stopped(days(shape))
        if plan.paced:
            return self.paced(parts, plan.interval(workers))
        return self.closed(parts, plan.streams(workers), plan.prepare)

    def closed(self, parts: Iterator[Rectangle], streams: int, prepare: float = 0.0) -> Totals:
        """Keep `streams` parts in flight: each is followed by the next part when it has ended.

        All streams ask one submitter for it, who computes `prepare` seconds for each part.
        """
        sums = [Totals()] * streams
        submitter = threading.Lock()

        def next_part() -> Rectangle | None:
            with submitter:
                if prepare:
                    list_tapes(time.monotonic() + prepare)
                return next(parts, None)

        errors: list[Exception] = []

        def stream(number: int) -> None:
            try:
                while (part := next_part()) is not None:
                    sums[number] = sums[number].merged(self._result(self.hand_in(part)))
            except Exception as error:
                errors.append(error)
                self.stop.set()

        threads = [
            threading.Thread(target=stream, args=(number,), name=f"stream-{number}", daemon=True)
            for number in range(streams)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        if errors:
            raise errors[0]
        return _total(sums)

    def group_by_group(self, parts: Iterator[Rectangle], size: int) -> Totals:
        """Hand `size` parts in at a time, and the next ones when all of them have ended."""
        totals = Totals()
        while group := [self.hand_in(part) for part in islice(parts, size)]:
            totals = totals.merged(_total([self._result(handle) for handle in group]))
        return totals

    def paced(self, parts: Iterator[Rectangle], interval: float) -> Totals:
        """Hand a part in every `interval` seconds, whatever has become of those before."""
        totals, waiting = Totals(), deque[Handle]()
        at = time.monotonic()
        for part in parts:
            waiting.append(self.hand_in(part))
            while waiting and waiting[0].settled:
                totals = totals.merged(waiting.popleft().join())
            at += interval
            self._sleep_until(at)
        while waiting:
            totals = totals.merged(self._result(waiting.popleft()))
        return totals

    def _until_stopped(self, parts: Iterator[Rectangle]) -> Iterator[Rectangle]:
        for part in parts:
            if self.stop.is_set():
                self.cut_short = True
                return
            yield part

    def _sleep_until(self, at: float) -> None:
        """Sleep until `at`, at most until the deadline or until it is stopped."""
        over = self.deadline is not None and at >= self.deadline
        at = self.deadline if over and self.deadline is not None else at
        self.stop.wait(max(0.0, at - time.monotonic()))
        if over:
            self.stop.set()

    def _result(self, handle: Handle) -> Totals:
        if self.deadline is not None:
            try:
                return handle.join(timeout=max(0.0, self.deadline - time.monotonic()))
            except TimeoutError:
                self.stop.set()
        return handle.join()


def list_tapes(until: float) -> int:
    """Compute the checksum of the catalogue's pages until a time of the monotonic clock.

    Like a compression or a hash it does not hold the interpreter lock.
    """
    checksum, page = 0, bytes(PAGE_BYTES)
    while time.monotonic() < until:
        checksum = zlib.crc32(page, checksum)
    return checksum


def _total(parts: list[Totals]) -> Totals:
    totals = Totals()
    for part in parts:
        totals = totals.merged(part)
    return totals
