"""One pool's ledger: its names, its tables, its counters, its present levels.

Pure bookkeeping of frames; `analysis` computes figures from it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from idlehands.wire import CONTENTION, IDLE_INTERVALS, NONE, SPAWNS, TASKS, WAITS, WORKER_LIFETIMES

from .attempts import AttemptCounts
from .open_intervals import OpenInterval, open_intervals
from .raised import RaisedCounts
from .rings import Ring, Rings
from .store import TableStore

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from ..ingest import CheckedFrame

TOTALS_SPACING_NS = 500_000_000
MOST_TOTALS = 1 << 12
MOST_HOLES = 1 << 12
MOST_STEPS = 1 << 10
TABLE_TIMES = (
    (TASKS, "ended_ns"),
    (WAITS, "ended_ns"),
    (IDLE_INTERVALS, "ended_ns"),
    (SPAWNS, "spawned_ns"),
    (WORKER_LIFETIMES, "ended_ns"),
    (CONTENTION, "at_ns"),
)
"""Each table, in the order of its attribute, and the column by which its rows are found."""


class WorkerThread(NamedTuple):
    """The present or last thread of a worker, in this process or in a worker process."""

    native_id: int = NONE
    ident: int = NONE
    name: str = ""
    pid: int = NONE


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch of time whose rows were lost while the monitor was attached."""

    began_ns: int
    ended_ns: int


class PoolLedger:
    """All data of one pool. `apply` takes its frames in the order in which they were sent.

    `first_dead`: exit status, by process id, of the processes whose end broke the pool.
    `most_workers`: how many workers a pool can have that starts them as they are needed, -1 for
    others. `left_out`: workers past `limits.WORKERS`; only the number of their tasks is known.
    `unreported`: tasks that ran without a row, because the probe had given up detail.
    `spawns_lost_ns`: the last spawn before the latest loss of such rows, -1 without a loss. `gone`:
    by worker, the last sign of life of an ended thread, for pools that do not report lifetimes.
    """

    def __init__(self, number: int, pid: int = NONE) -> None:
        self.number = number
        self.pid = pid
        self.name = f"pool {number}"
        self.kind = ""
        self.workers = 0
        self.most_workers = NONE
        self.left_out = 0
        self.declared_ns = NONE
        self.closed_ns = NONE
        self.task_kinds: list[str] = []
        self.shared_queue = False
        self.reports_contention = False
        self.broken = ""
        self.first_dead: dict[int, int] = {}
        self.steps: list[tuple[int, int]] = []
        self.thinned_by = ""
        self.raised = RaisedCounts()
        self.totals: deque[tuple[int, int, int]] = deque(maxlen=MOST_TOTALS)
        self.threads: dict[int, WorkerThread] = {}
        stores = [TableStore(table, time) for table, time in TABLE_TIMES]
        self.tasks, self.waits, self.idle_intervals, self.spawns = stores[:4]
        self.lifetimes, self.contended = stores[4:]
        self.stores = {store.table.name: store for store in stores}
        self.attempts = AttemptCounts()
        self.inbox = NONE
        self.deques: list[int] = []
        self._open_rows: list[list[list[int]]] = []
        self._open: list[list[OpenInterval]] | None = None
        self.misuses = 0
        self.complete_ns = NONE
        self.complete_from_ns = NONE
        self.unreported = 0
        self.spawns_lost_ns = NONE
        self.lost_rows = 0
        self.contended_lost = 0
        self.holes: list[Hole] = []
        self.gone: dict[int, int] = {}
        self._rings = Rings()

    def written(self, table: str) -> int:
        """Return how many rows of `table` the pool had written up to the last frame."""
        return self._rings.written(table)

    @property
    def open(self) -> list[list[OpenInterval]]:
        """The open intervals of each worker at the last levels frame."""
        if self._open is None:
            self._open = [
                open_intervals(rows, self.gone.get(worker, NONE))
                for worker, rows in enumerate(self._open_rows)
            ]
        return self._open

    @property
    def pairs(self) -> int:
        """The number of pairs of workers whose steal attempts are counted."""
        return 0 if self.shared_queue else self.workers**2

    def apply(self, frame: CheckedFrame) -> None:
        """Take one frame of this pool. Raises Refused for workers that the pool does not have."""
        kind = frame["frame"]
        if kind == "names":
            self._names(frame)
        elif kind == "rows":
            self._take_rows(frame)
        elif kind == "lost":
            self._lost(frame)
        elif kind == "counters":
            self.attempts.add(frame)
        elif kind == "levels":
            self._levels(frame)

    def _names(self, frame: CheckedFrame) -> None:
        workers, shared = frame["workers"], frame["shared_queue"]
        self.name = frame["name"]
        self.kind = frame["pool_kind"]
        self.declared_ns = frame["declared_ns"]
        self.closed_ns = frame["closed_ns"]
        self.reports_contention = frame["tells_meetings"]
        self.broken = frame["broken"]
        self.first_dead = dict(frame["first_dead"])
        self.thinned_by = frame["sampled_by"]
        self.left_out = frame["left_out"]
        self.most_workers = frame["most_workers"]
        if frame["steps"]:
            self.steps = sorted(dict([*self.steps, *frame["steps"]]).items())[-MOST_STEPS:]
        self.task_kinds = frame["task_kinds"]
        before = self.threads
        self.threads = {index: WorkerThread(*who) for index, *who in frame["threads"]}
        for index in [index for index in self.gone if self.threads.get(index) != before.get(index)]:
            del self.gone[index]  # this worker is another thread now
            self._open = None
        if (workers, shared) != (self.workers, self.shared_queue):
            self.workers, self.shared_queue = workers, shared
            # a shared queue has no steal attempts
            self.attempts = AttemptCounts(0 if shared else workers)
        if self.complete_from_ns == NONE:
            self.complete_from_ns = self.declared_ns

    def _take_rows(self, frame: CheckedFrame) -> None:
        table, parts = frame["table"], frame["parts"]
        store = self.stores[table]
        end, held = 0, len(store)
        store.append(frame["values"], [(worker, kept) for worker, _, _, kept in parts])
        times = store[store.time][held:].tolist()
        for worker, first, rows, kept in parts:
            begin, end = end, end + kept
            ring = self._rings.ring(table, worker)
            if first > ring.written:  # a capture begun later reports no such loss
                self._lose(table, ring, first - ring.written)
            self._rings.note_written(table, ring, first + rows)
            if ring.lost_since_ns is not None and kept:
                # Lost rows ended before the first row after them ended.
                self._close_loss(ring, times[begin])
            if kept:
                ring.last_ns = times[end - 1]
                if worker in self.gone:  # these rows were sent after the kernel was asked
                    self.gone[worker] = max(self.gone[worker], ring.last_ns)
                    self._open = None

    def _lost(self, frame: CheckedFrame) -> None:
        ring = self._rings.ring(frame["table"], frame["worker"])
        self._lose(frame["table"], ring, frame["rows"])

    def _lose(self, table: str, ring: Ring, rows: int) -> None:
        self._rings.note_written(table, ring, ring.written + rows)
        if table == SPAWNS.name:  # counts stay exact; only timestamps are missing
            if len(self.spawns):
                self.spawns_lost_ns = int(self.spawns["spawned_ns"][-1])
            return
        if table == CONTENTION.name:  # worker time does not depend on them
            self.contended_lost += rows
            return
        if ring.lost_since_ns is None:
            # A ring whose rows had all been sent lost later ones.
            ring.lost_since_ns = ring.last_ns if ring.last_ns != NONE else self.complete_ns
        if self.complete_ns != NONE:
            self.lost_rows += rows

    def _close_loss(self, ring: Ring, until_ns: int) -> None:
        began = ring.lost_since_ns
        ring.lost_since_ns = None
        if self.complete_ns == NONE or began in (None, NONE):
            # Written before the monitor attached: not lost, only too old for the rings.
            self.complete_from_ns = max(self.complete_from_ns, until_ns)
        elif began is not None:
            self.holes.append(Hole(began, until_ns))
            if len(self.holes) > MOST_HOLES:  # merged: more time is left out, none is invented
                first, second = self.holes[:2]
                both = Hole(
                    min(first.began_ns, second.began_ns), max(first.ended_ns, second.ended_ns)
                )
                self.holes[:2] = [both]

    def _levels(self, frame: CheckedFrame) -> None:
        at_ns = frame["at_ns"]
        self.inbox = frame["inbox"]
        self.deques = frame["deques"]
        self._open_rows, self._open = frame["workers"], None
        self.misuses = frame["misuses"]
        self.complete_ns = max(self.complete_ns, at_ns)
        self.attempts.note(at_ns)
        ran = frame["ran"]
        self._total(at_ns, sum(ran), frame["spawned"])
        self.raised.note(at_ns, frame["raised"])
        rows = self.written(TASKS.name) - self._rings.ring(TASKS.name, NONE).written
        self.unreported = max(0, sum(ran) - rows) if ran else 0

    def note_gone(self, worker: int, seen_ns: int) -> None:
        """Note that a worker's thread has ended, and its last sample, -1 for none.

        A pool whose workers join and leave reports their ends itself.
        """
        if self.shared_queue or self.closed_ns >= 0 or worker in self.gone:
            return
        doing = self._open_rows[worker] if worker < len(self._open_rows) else []
        began = (interval.began_ns for interval in open_intervals(doing))
        ended = (
            self._rings.ring(table, worker).last_ns for table in (TASKS.name, IDLE_INTERVALS.name)
        )
        self.gone[worker] = max(seen_ns, *began, *ended)
        self._open = None

    def _total(self, at_ns: int, ran: int, spawned: int) -> None:
        """Hold the totals of tasks run and handed in up to a time, about twice a second."""
        if spawned < 0:
            spawned = self.written(SPAWNS.name)
        else:  # spawns without a row count, too
            ring = self._rings.ring(SPAWNS.name, NONE)
            self._rings.note_written(SPAWNS.name, ring, max(ring.written, spawned))
        if len(self.totals) > 1 and at_ns - self.totals[-2][0] < TOTALS_SPACING_NS:
            self.totals.pop()
        self.totals.append((at_ns, ran, spawned))

    def counts_between(self, begin_ns: int, end_ns: int) -> npt.NDArray[np.int64]:
        """Return the steal attempts between two timestamps, shape (3, workers, workers).

        They are hits, empties and lost races, each thief by victim.
        """
        return self.attempts.between(begin_ns, end_ns, self.declared_ns)

    @property
    def held_bytes(self) -> int:
        """Memory of its tables."""
        return sum(store.held_bytes for store in self.stores.values())

    def halve(self) -> int:
        """Forget the time of the older half of its largest table; return how many rows went."""
        before = sum(map(len, self.stores.values()))
        largest = max(self.stores.values(), key=lambda store: store.held_bytes)
        self.forget_before(min(largest.halve(), max(self.complete_ns, self.complete_from_ns)))
        return before - sum(map(len, self.stores.values()))

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop rows, snapshots and holes that ended before `timestamp_ns`."""
        for store in self.stores.values():
            store.forget_before(timestamp_ns)
        self.attempts.forget_before(timestamp_ns)
        self.holes = [hole for hole in self.holes if hole.ended_ns > timestamp_ns]
        self.complete_from_ns = max(self.complete_from_ns, timestamp_ns)
