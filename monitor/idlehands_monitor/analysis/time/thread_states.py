"""The evidence for `state_rates`: columns of thread time between two samples of the counters.

Pure. The kernel counts a wait for a core when the thread gets the core. So a wait that began before
a sample is counted after it: what does not fit into an interval belongs to the one before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ledger.lifetimes import slots
from ...model.arrays import Bool, Float, Int64
from ..stats.order_statistics import distinct
from .state_rates import BETWEEN, FIRST_KIND, PARKED, UNKNOWN_KIND, Evidence
from .thread_samples import state_samples, task_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import HostCounters, PoolLedger
    from ...ledger.lifetimes import Slot
    from .thread_samples import StateSamples
    from .window import Intervals, Slice

SAMPLES_BEYOND = 4
MOST_CELLS = 1 << 22
"""Cells of a table with all intervals and columns; a larger table has only non-empty cells."""


def evidence_of(pool: PoolLedger, host: HostCounters, stretch: Slice) -> Evidence:
    """Return the evidence on the threads of a pool's workers in a stretch."""
    rows = _Rows(pool, host, stretch)
    columns = len(pool.task_kinds) + FIRST_KIND
    tasks, waits, idle_intervals = stretch.tasks, stretch.waits, stretch.idle_intervals
    helping, parked = waits.extra["helping"] > 0, idle_intervals.extra["parked"] == 1
    cpu = tasks.extra["cpu_ns"]
    read = cpu >= 0
    kind, around = column_of(tasks.extra["kind"], columns), column_of(waits.extra["kind"], columns)
    table = _Table(rows, columns)
    table.add(tasks, kind, 1.0)
    table.add(waits, around, -1.0)
    table.add(waits, np.full(len(around), PARKED), np.where(helping, 0.0, 1.0))
    table.add(idle_intervals, np.full(len(parked), PARKED), np.where(parked, 1.0, 0.0))
    if read.any():
        table.add(tasks, kind, np.where(read, 1.0, 0.0), "read_ns")
    table.add_cpu(tasks, kind)
    sampled = state_samples(pool, host, stretch)
    asked = np.flatnonzero(sampled.in_task)
    worker = np.concatenate([sampled.worker[asked], rows.worker])
    timestamps = np.concatenate([sampled.timestamp_ns[asked], rows.ended])
    place = task_at(tasks, worker, timestamps)
    in_hand, at_ends = place[: len(asked)], place[len(asked) :]
    samples = np.zeros((columns, 2), dtype=np.int64)
    known = in_hand >= 0
    blocked = (sampled.code[asked] >= 0).astype(np.int64)
    np.add.at(samples, (kind[in_hand[known]], blocked[known]), 1)
    return table.evidence(_late(rows, tasks, at_ends, sampled), samples)


def column_of(kind: Int64, columns: int) -> Int64:
    """Return the column of each kind of task."""
    known = (kind >= 0) & (kind < columns - FIRST_KIND)
    return np.where(known, kind + FIRST_KIND, UNKNOWN_KIND)


class _Rows:
    """The intervals between two samples of each thread that was a worker, ordered by worker.

    Their edges are the samples inside the worker's lifetime, its begin and its end. reported: the
    growth of the counters, shape (n, 2), on-core and run-queue ns, NaN where no sample covers it.
    """

    def __init__(self, pool: PoolLedger, host: HostCounters, stretch: Slice) -> None:
        held = [s for s in slots(pool, stretch.begin_ns, stretch.end_ns) if s.began_ns < s.ended_ns]
        held.sort(key=lambda slot: (slot.worker, slot.began_ns))
        worker, _, began, ended = np.array(held, dtype=np.int64).reshape(-1, 4).T
        steps = _Steps(host, held)
        bare = ~steps.covers(began, ended)
        of, low, high, reported = steps.of, steps.low, steps.high, steps.grown
        inside = (np.maximum(low, began[of]) < np.minimum(high, ended[of])) & ~bare[of]
        of, low, high, reported = of[inside], low[inside], high[inside], reported[inside]
        # The time before the first sample and behind the last; all of it without samples.
        first = np.where(bare, ended, np.minimum(steps.first, ended))
        last = np.where(bare, ended, np.maximum(steps.last, began))
        early, late = np.flatnonzero(began < first), np.flatnonzero(last < ended)
        slot = np.concatenate([of, early, late])
        begins = np.concatenate([np.maximum(low, began[of]), began[early], last[late]])
        ends = np.concatenate([np.minimum(high, ended[of]), first[early], ended[late]])
        part = (ends - begins)[: len(of)] / np.maximum(high - low, 1)
        nothing = np.full((len(early) + len(late), 2), np.nan)
        order = np.lexsort((begins, slot))
        self.worker, self.began, self.ended = worker[slot][order], begins[order], ends[order]
        self.reported: Float = np.concatenate([reported * part[:, None], nothing])[order]
        self._base, self._span = stretch.begin_ns, stretch.end_ns - stretch.begin_ns + 1

    def overlaps(self, rows: Intervals) -> tuple[Int64, Int64, Int64]:
        """Return (place in `rows`, interval, ns) of all overlaps."""
        key = rows.worker * self._span - self._base
        mine = self.worker * self._span - self._base
        first = np.searchsorted(mine + self.ended, key + rows.began, side="right")
        last = np.searchsorted(mine + self.began, key + rows.ended, side="left")
        count = np.maximum(last - first, 0)
        place = np.repeat(np.arange(len(key)), count)
        number = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
        interval = np.repeat(first, count) + number
        began = np.maximum(rows.began[place], self.began[interval])
        ended = np.minimum(rows.ended[place], self.ended[interval])
        return place, interval, np.maximum(ended - began, 0)


class _Steps:
    """How the counters of threads grew from sample to sample, thread by thread.

    Shape (n,): of (place of the thread), low and high (timestamps of the two samples). Shape (n,
    2): grown, ns. Shape (threads,): first and last sample. Samples outside a lifetime are used for
    what is carried back over its edges.
    """

    def __init__(self, host: HostCounters, held: Sequence[Slot]) -> None:
        asked = [(slot.native_id, slot.began_ns, slot.ended_ns) for slot in held]
        self._counts, samples = host.samples_of(asked, SAMPLES_BEYOND)
        owner = np.repeat(np.arange(len(held)), self._counts)
        same = owner[1:] == owner[:-1]
        timestamps = samples[:, 0]
        self.of, self.low, self.high = owner[1:][same], timestamps[:-1][same], timestamps[1:][same]
        grown = np.maximum(samples[1:, 1:] - samples[:-1, 1:], 0)[same]
        self.grown: Float = grown.astype(np.float64)
        ends = np.cumsum(self._counts)
        there = self._counts > 0
        self.first, self.last = np.zeros((2, len(held)), dtype=np.int64)
        self.first[there] = timestamps[(ends - self._counts)[there]]
        self.last[there] = timestamps[ends[there] - 1]
        self._carry_back()

    def covers(self, began: Int64, ended: Int64) -> Bool:
        """Return which threads have some of their time between two samples."""
        covered: Bool = (self._counts > 1) & (self.last > began) & (self.first < ended)
        return covered

    def _carry_back(self) -> None:
        room = (self.high - self.low).astype(np.float64)
        for thread in distinct(self.of[self.grown.sum(axis=1) > room]).tolist():
            mine = slice(*np.searchsorted(self.of, (thread, thread + 1)))
            _carry_back(room[mine], self.grown[mine])


def _carry_back(room: Float, reported: Float) -> None:
    """Move what does not fit into an interval into the one before, in place."""
    for state in range(2):
        over = reported[:, state] - room
        if over.max() <= 0.0:
            room = room - reported[:, state]
            continue
        sums = np.cumsum(over[::-1])
        carried = (sums - np.minimum(0.0, np.minimum.accumulate(sums)))[::-1]
        reported[:, state] -= carried
        reported[:-1, state] += carried[1:]
        room = np.maximum(room - reported[:, state], 0.0)


class _Table:
    """Sums of thread time by interval and column."""

    def __init__(self, rows: _Rows, columns: int) -> None:
        self._rows, self._columns = rows, columns
        self._parts: dict[str, list[tuple[Int64, Float]]] = {"ns": [], "read_ns": [], "cpu_ns": []}
        self._known: dict[int, tuple[Int64, Int64, Int64]] = {}

    def add(self, rows: Intervals, column: Int64, factor: Float | float, name: str = "ns") -> None:
        """Add the time of `rows`, times one factor for all, or one for each."""
        if id(rows) not in self._known:
            self._known[id(rows)] = self._rows.overlaps(rows)
        place, interval, ns = self._known[id(rows)]
        each = np.broadcast_to(factor, (len(rows.worker),))
        key = interval * self._columns + column[place]
        self._parts[name].append((key, ns * each[place]))

    def add_cpu(self, tasks: Intervals, column: Int64) -> None:
        """Add the on-core time that was read with tasks.

        If a task is in several intervals, its on-core time goes to those in which the kernel
        counted more on-core time than the tasks inside one interval had.
        """
        if not (tasks.extra["cpu_ns"] >= 0).any():
            return
        place, interval, ns = self._known[id(tasks)]
        cpu = np.maximum(tasks.extra["cpu_ns"], 0) / np.maximum(tasks.extra["full_ns"], 1)
        even, count = ns * cpu[place], len(self._rows.worker)
        several = (np.bincount(place, minlength=len(cpu)) > 1)[place]
        inside = np.bincount(interval, weights=np.where(several, 0.0, even), minlength=count)
        reach = np.bincount(interval, weights=np.where(several, ns, 0.0), minlength=count)
        left = np.maximum(self._rows.reported[:, 0] - inside, 1.0)
        rate = np.where(np.isnan(left), np.nan, left / np.maximum(reach, 1.0))[interval]
        part = ns * np.where(np.isnan(rate), cpu[place], np.minimum(rate, 1.0))
        wanted = np.bincount(place, weights=even, minlength=len(cpu))
        found = np.bincount(place, weights=part, minlength=len(cpu))
        fitted = part * (wanted / np.maximum(found, 1e-9))[place]
        key = interval * self._columns + column[place]
        self._parts["cpu_ns"].append((key, np.where(several, np.minimum(fitted, ns), even)))

    def evidence(self, late: Float, samples: Int64) -> Evidence:
        """Return the sums; the rest of each interval is between tasks."""
        rows, columns = self._rows, self._columns
        every = np.arange(len(rows.worker))
        between = every * columns + BETWEEN
        keys = [between, *(key for key, _ in self._parts["ns"])]
        if len(every) * columns <= MOST_CELLS:
            there = np.zeros(len(every) * columns, dtype=np.bool_)
            for key in keys:
                there[key] = True
            found = np.flatnonzero(there)
        else:
            found = distinct(np.concatenate(keys))
        sums = {}
        for name, parts in self._parts.items():
            sums[name] = np.zeros(len(found))
            for key, values in parts:
                sums[name] += np.bincount(
                    np.searchsorted(found, key), weights=values, minlength=len(found)
                )
        ns = np.maximum(sums["ns"], 0.0)
        interval, column = found // columns, found % columns
        length = (rows.ended - rows.began).astype(np.float64)
        rest = length - np.bincount(interval, weights=ns, minlength=len(length))
        ns[column == BETWEEN] += np.maximum(rest, 0.0)
        read_ns = np.minimum(sums["read_ns"], ns)
        cpu_ns = np.minimum(sums["cpu_ns"], read_ns)
        worker = rows.worker[interval]
        return Evidence(interval, worker, column, ns, read_ns, cpu_ns, rows.reported, late, samples)


def _late(rows: _Rows, tasks: Intervals, place: Int64, sampled: StateSamples) -> Float:
    """Return how long a thread can have waited for a core when an interval ended, in ns.

    At most as long as it was in its present task (`place`, -1 for none), and only where a sample
    found it able to run.
    """
    late = np.zeros(len(rows.worker))
    runs = sampled.code < 0
    able = set(zip(sampled.worker[runs].tolist(), sampled.timestamp_ns[runs].tolist()))
    ends = zip(rows.worker.tolist(), rows.ended.tolist(), strict=True)
    asked = np.array([end in able for end in ends], dtype=np.bool_)
    asked[:-1] &= rows.began[1:] == rows.ended[:-1]
    asked[-1:] = False
    chosen = np.flatnonzero(asked & (place >= 0) & ~np.isnan(rows.reported[:, 0]))
    late[chosen] = rows.ended[chosen] - np.maximum(tasks.began[place[chosen]], rows.began[chosen])
    return late
