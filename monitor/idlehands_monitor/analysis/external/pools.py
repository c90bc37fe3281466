"""Readings of the workers of an external process, from samples of its threads. Pure.

Working and run-queue wait are exact: they are the growth of the kernel's counters. Parked is the
share of dumps in which a worker waited for its next task, with E. B. Wilson's score interval
(1927, J. Amer. Statist. Assoc. 22:209–212), limited to the time off the core; blocked is the rest.
The sample size of a pool's interval is its dumps, not its workers times its dumps: workers in one
dump are not independent, so the interval may be too wide, but not too narrow.

What blocked workers waited for comes from the kernel's waits, which are sampled more often. A sort
of wait that also occurs in parked workers is counted in the dumps, which distinguish the two.
"""

from __future__ import annotations

from collections import Counter
from itertools import takewhile
from typing import TYPE_CHECKING

from ...ledger.rows import NEVER
from ...model.external import (
    ExternalPoolReading,
    ExternalTime,
    ExternalWorkerReading,
    PlaceReading,
    StackReading,
    WaitShareReading,
)
from ...model.shares import Estimate
from ...model.vocabulary import REASONS_BY_CODE, RUNNING, ExternalState
from ..stats.summary import wilson
from .roles import EXTERNAL_LIBRARIES, PROCESSES, THREADS, chain
from .workers import Group, ThreadKey, Worker, groups_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ...ledger import HostCounters, Ledger
    from .workers import Appearance

MOST_STACKS = 5
LEAST_COVERED_NS = 1


def external_pools(ledger: Ledger, window_ns: int | None) -> tuple[ExternalPoolReading, ...]:
    """Return a reading of each pool found in the dumps, the largest first."""
    samples = ledger.samples
    if not samples.dumps:
        return ()
    end = samples.latest_ns
    begin = samples.first_ns if window_ns is None else max(samples.first_ns, end - window_ns)
    begin, end = ledger.requested(begin, end)
    pools = []
    for group, workers in groups_of(list(samples.dumps)).items():
        reading = _Window(ledger, begin, end).pool(group, workers)
        if reading is not None:
            pools.append(reading)
    missing = _without_stacks(ledger, begin, end)
    pools.sort(key=lambda pool: (pool.kind in (THREADS, PROCESSES), -len(pool.workers), pool.name))
    return (*pools, *missing)


class _Window:
    """Readings between two timestamps."""

    def __init__(self, ledger: Ledger, begin_ns: int, end_ns: int) -> None:
        self._host: HostCounters = ledger.host
        self._begin_ns, self._end_ns = begin_ns, end_ns
        self._dumps = list(ledger.samples.dumps)
        self._inside = {n for n, dump in enumerate(self._dumps) if begin_ns <= dump.at_ns <= end_ns}

    def pool(
        self, group: Group, workers: list[Worker], missing: str = ""
    ) -> ExternalPoolReading | None:
        """Return the reading of one pool, None if it is not in the window."""
        covered: list[tuple[Worker, list[Appearance], tuple[float, float, int]]] = []
        for worker in sorted(workers, key=lambda worker: worker.key):
            found = [one for one in worker.appearances if one.dump in self._inside]
            counters = self._host.between(worker.native_id, self._begin_ns, self._end_ns)
            if counters[2] >= LEAST_COVERED_NS or (found and worker.native_id < 0):
                covered.append((worker, found, counters))
        if not covered:
            return None
        readings = tuple(
            self._worker(index, worker, found, counters)
            for index, (worker, found, counters) in enumerate(covered)
        )
        everything = [one for _, found, _ in covered for one in found]
        return ExternalPoolReading(
            name=group.label,
            kind=group.kind,
            module=group.module,
            pid=group.pid,
            workers=readings,
            window_s=(self._end_ns - self._begin_ns) / 1e9,
            begin_ns=self._begin_ns,
            end_ns=self._end_ns,
            time=self._time(
                [found for _, found, _ in covered],
                [counters for _, _, counters in covered],
                [worker.native_id for worker, _, _ in covered],
            ),
            parked_stacks=_stacks(one for one in everything if one.role.parked),
            blocked_stacks=_stacks(one for one in everything if _is_blocked(one)),
            missing=missing,
            library=EXTERNAL_LIBRARIES.get(group.module, ""),
        )

    def _worker(
        self,
        index: int,
        worker: Worker,
        found: list[Appearance],
        counters: tuple[float, float, int],
    ) -> ExternalWorkerReading:
        wait = found[-1].sample.wait if found else self._last_wait(worker.native_id)
        state = ExternalState.WORKING if wait == RUNNING else ExternalState.UNKNOWN
        place = None
        if found:
            state, place = _state(found[-1]), next(iter(_places(found[-1])), None)
        same_for_s, same_samples = self._same(worker.appearances) if found else (0.0, 0)
        name = worker.name
        if worker.native_id == worker.key.pid:
            name = f"process {worker.key.pid}"
        return ExternalWorkerReading(
            index=index,
            name=name or f"thread {worker.native_id}",
            pid=worker.key.pid,
            native_id=worker.native_id,
            ident=worker.ident,
            time=self._time([found], [counters], [worker.native_id]),
            state=state,
            waits_for="" if wait == RUNNING else wait,
            place=place,
            same_for_s=same_for_s,
            same_samples=same_samples,
        )

    def _same(self, found: list[Appearance]) -> tuple[float, int]:
        """Return for how long, and in how many of its last samples, a worker was blocked alike.

        That may have begun before the window.
        """
        alike = list(
            takewhile(
                lambda one: _is_blocked(one) and one.sample.stack == found[-1].sample.stack,
                reversed(found),
            )
        )
        if not alike:
            return 0.0, 0
        first, last = (self._dumps[one.dump].at_ns for one in (alike[-1], alike[0]))
        return (last - first) / 1e9, len(alike)

    def _last_wait(self, native_id: int) -> str:
        _, codes = self._host.waits.of(native_id, self._begin_ns, NEVER)
        return REASONS_BY_CODE[codes[-1]] if len(codes) else ""

    def _time(
        self,
        by_worker: list[list[Appearance]],
        counters: list[tuple[float, float, int]],
        native_ids: list[int],
    ) -> ExternalTime:
        """Return the time of some workers, each with its appearances, counters and kernel id."""
        total = sum(covered for _, _, covered in counters)
        working = min(1.0, sum(on for on, _, _ in counters) / total) if total else 0.0
        queued = min(1.0 - working, sum(rq for _, rq, _ in counters) / total) if total else 0.0
        off_core = max(0.0, 1.0 - working - queued)
        dumps = len({one.dump for found in by_worker for one in found})
        parked = blocked = None
        share = 0.0
        if dumps:
            share = _parked_share(by_worker, [covered for _, _, covered in counters])
            low, high = wilson(share * dumps, dumps)
            if total:  # a worker that ran or waited for a core was not parked
                share, low, high = (min(off_core, value) for value in (share, low, high))
                blocked = Estimate(off_core - share, off_core - high, off_core - low)
            parked = Estimate(share, low, high)
        blocked_share = blocked.value if blocked is not None else off_core
        waits, number = self._waits(by_worker, native_ids, blocked_share)
        return ExternalTime(total / 1e9, working, queued, parked, blocked, dumps, waits, number)

    def _waits(
        self, by_worker: list[list[Appearance]], native_ids: list[int], blocked: float
    ) -> tuple[tuple[WaitShareReading, ...], int]:
        """Divide `blocked` among the sorts of wait; return these and the number of samples."""
        codes_by_thread = [
            self._host.waits.of(native_id, self._begin_ns, NEVER)[1].tolist()
            for native_id in set(native_ids)
        ]
        samples = max(map(len, codes_by_thread), default=0)
        counts = Counter(REASONS_BY_CODE[code] for codes in codes_by_thread for code in codes)
        total = counts.total()
        if not total or blocked <= 0:
            return (), samples
        with_wait = [one for found in by_worker for one in found if one.sample.wait]
        parked_in = {one.sample.wait for one in with_wait if one.role.parked}
        blocked_in = Counter(one.sample.wait for one in with_wait if not one.role.parked)
        shares = {
            # If parked workers have this sort of wait, too, only dumps show the blocked part.
            sort: blocked_in[sort] / len(with_wait) if sort in parked_in else count / total
            for sort, count in counts.items()
            if sort != RUNNING
        }
        summed = sum(share for share in shares.values() if share > 0)
        waits = [
            WaitShareReading(sort, blocked * share / summed)
            for sort, share in shares.items()
            if share > 0
        ]
        return tuple(sorted(waits, key=lambda wait: -wait.share)), samples


def _parked_share(by_worker: list[list[Appearance]], covered: list[int]) -> float:
    """Return the mean over workers of their share of dumps parked, weighted by their time."""
    weight = parked = 0.0
    for found, time in zip(by_worker, covered, strict=True):
        if found:
            part = max(1, time)
            weight += part
            parked += part * sum(one.role.parked for one in found) / len(found)
    return parked / weight if weight else 0.0


def _is_blocked(one: Appearance) -> bool:
    """Return whether a worker was in a task and off the core, by its sample."""
    if one.role.parked:
        return False
    wait = one.sample.wait
    return wait != RUNNING if wait else not one.sample.owns_lock


def _state(one: Appearance) -> ExternalState:
    if one.role.parked:
        return ExternalState.PARKED
    if not one.sample.wait:
        return ExternalState.WORKING if one.sample.owns_lock else ExternalState.UNKNOWN
    return ExternalState.WORKING if one.sample.wait == RUNNING else ExternalState.BLOCKED


def _places(one: Appearance) -> tuple[PlaceReading, ...]:
    return tuple(PlaceReading(*frame) for frame in chain(one.sample.stack, one.role))


def _stacks(found: Iterable[Appearance]) -> tuple[StackReading, ...]:
    counts = Counter(map(_places, found))
    return tuple(StackReading(frames, count) for frames, count in counts.most_common(MOST_STACKS))


def _without_stacks(ledger: Ledger, begin_ns: int, end_ns: int) -> tuple[ExternalPoolReading, ...]:
    """Return one reading of all threads of the processes whose stacks could not be read."""
    dumps = ledger.samples.dumps
    read = {dump.pid for dump in dumps if not dump.missing}
    last = {dump.pid: dump for dump in dumps if dump.missing and dump.pid not in read}
    if not last:
        return ()
    workers = [
        Worker(ThreadKey(pid, thread.native_id), thread.name, thread.native_id)
        for pid, dump in last.items()
        for thread in dump.threads
    ]
    group = Group(min(last), THREADS, "", "all threads")
    missing = next(iter(last.values())).missing
    reading = _Window(ledger, begin_ns, end_ns).pool(group, workers, missing)
    return () if reading is None else (reading,)
