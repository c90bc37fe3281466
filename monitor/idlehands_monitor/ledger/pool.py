"""One pool's ledger: its names, its tables, its counters, its present levels.

Pure bookkeeping of frames; what the numbers mean is worked out in `analysis`.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from idlehands.wire import (
    GAPS,
    LOOKS,
    MEETINGS,
    MOST_WORKERS,
    NONE,
    SPAWNS,
    STAYS,
    TASKS,
    WAITS,
    Frame,
)

from .store import TableStore

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

MOST_SNAPSHOTS, LEAST_SNAPSHOTS = 128, 8
SNAPSHOT_BYTES = 64 << 20
"""What all snapshots of a pool may take: a large pool's are kept further apart."""
SNAPSHOT_SPACING_NS = 500_000_000
MOST_TOTALS = 1 << 12


class OpenInterval(NamedTuple):
    """What a worker was in the middle of.

    ``what`` is "task", "wait", "searching", "parked" or "stay" (it belongs to its pool).
    until_ns: when its worker's thread was gone, -1 where it is there.
    """

    what: str
    began_ns: int
    task: int = NONE
    kind: int = NONE
    spawned_ns: int = NONE
    taken_from: int = NONE
    on_task: int = NONE
    spawned_by: int = NONE
    until_ns: int = NONE


class WorkerThread(NamedTuple):
    """Who a worker is at present, or was last: a thread, of this process or of a worker process."""

    native_id: int = NONE
    ident: int = NONE
    name: str = ""
    pid: int = NONE


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch whose rows were lost while we were attached."""

    began_ns: int
    ended_ns: int


@dataclass(slots=True)
class CounterSnapshot:
    """Cumulative looks, shape (3, workers, workers), at one moment.

    They are hits, empties and lost races, each thief by victim.
    """

    at_ns: int
    counts: npt.NDArray[np.int64]

    @property
    def hits(self) -> npt.NDArray[np.int64]:
        """The looks that took a task."""
        hits: npt.NDArray[np.int64] = self.counts[0]
        return hits

    @property
    def empties(self) -> npt.NDArray[np.int64]:
        """The looks that found an empty deque."""
        empties: npt.NDArray[np.int64] = self.counts[1]
        return empties

    @property
    def lost_races(self) -> npt.NDArray[np.int64]:
        """The looks at a task that somebody else got first."""
        lost_races: npt.NDArray[np.int64] = self.counts[2]
        return lost_races


@dataclass(slots=True)
class _Ring:
    """What has come of one ring: rows ever written up to now, and an unfinished loss."""

    written: int = 0
    last_ns: int = NONE
    lost_since_ns: int | None = None


class PoolLedger:
    """Everything held of one pool. `apply` takes its frames in the order they were sent.

    `first_dead`: exit status by process id of those whose end broke the pool.
    `untold`: tasks run of which no row was made, because detail had been given up.
    `spawns_lost_ns`: the last spawn before the latest loss of such rows, -1 before any. `gone`: by
    worker, of a pool that does not tell itself, the last sign of life of a thread that is gone.
    """

    def __init__(self, number: int, pid: int = NONE) -> None:
        self.number = number
        self.pid = pid
        self.name = f"pool {number}"
        self.kind = ""
        self.workers = 0
        self.declared_ns = NONE
        self.closed_ns = NONE
        self.task_kinds: list[str] = []
        self.shared_queue = False
        self.tells_meetings = False
        self.broken = ""
        self.first_dead: dict[int, int] = {}
        self.steps: list[tuple[int, int]] = []
        self.sampled_by = ""
        self.totals: deque[tuple[int, int, int]] = deque(maxlen=MOST_TOTALS)
        self.threads: dict[int, WorkerThread] = {}
        self.tasks = TableStore(TASKS, "ended_ns")
        self.waits = TableStore(WAITS, "ended_ns")
        self.gaps = TableStore(GAPS, "ended_ns")
        self.spawns = TableStore(SPAWNS, "spawned_ns")
        self.stays = TableStore(STAYS, "ended_ns")
        self.meetings = TableStore(MEETINGS, "at_ns")
        stores = (self.tasks, self.waits, self.gaps, self.spawns, self.stays, self.meetings)
        self.stores = {store.table.name: store for store in stores}
        self.snapshots: deque[CounterSnapshot] = deque()
        self.inbox = NONE
        self.deques: list[int] = []
        self.open: list[list[OpenInterval]] = []
        self.misuses = 0
        self.complete_ns = NONE
        self.complete_from_ns = NONE
        self.untold = 0
        self.spawns_lost_ns = NONE
        self.lost_rows = 0
        self.meetings_lost = 0
        self.holes: list[Hole] = []
        self.gone: dict[int, int] = {}
        self._rings: dict[str, dict[int, _Ring]] = {}
        self._counts = np.zeros((3, 0, 0), dtype=np.int64)
        self._spacing_ns = SNAPSHOT_SPACING_NS

    def written(self, table: str) -> int:
        """Return how many rows of `table` the pool had written up to the last frame."""
        return sum(ring.written for ring in self._rings.get(table, {}).values())

    def apply(self, frame: Frame) -> None:
        """Take one frame of this pool. Raises ValueError, KeyError or TypeError on a bad one."""
        kind = frame["frame"]
        if kind == "names":
            self._names(frame)
        elif kind == "rows":
            self._take_rows(frame)
        elif kind == "lost":
            self._lost(frame)
        elif kind == "counters":
            self._counters(frame)
        elif kind == "levels":
            self._levels(frame)

    def _names(self, frame: Frame) -> None:
        workers = int(frame["workers"])
        shared = bool(frame.get("shared_queue", False))
        if not (0 if shared else 1) <= workers <= MOST_WORKERS:
            raise ValueError(f"a pool of {workers} workers")
        self.name = str(frame["name"])
        self.kind = str(frame["pool_kind"])
        self.declared_ns = int(frame["declared_ns"])
        self.closed_ns = int(frame["closed_ns"])
        self.shared_queue = shared
        self.tells_meetings = bool(frame.get("tells_meetings", False))
        self.broken = str(frame.get("broken", ""))
        self.first_dead = {int(pid): int(code) for pid, code in frame.get("first_dead", ())}
        self.sampled_by = str(frame.get("sampled_by", ""))
        known = dict(self.steps)
        known.update((int(at_ns), int(step)) for at_ns, step in frame.get("steps", ()))
        self.steps = sorted(known.items())
        self.task_kinds = [str(kind) for kind in frame["task_kinds"]]
        before = self.threads
        self.threads = {
            int(index): WorkerThread(int(native), int(ident), str(name), *map(int, more[:1]))
            for index, native, ident, name, *more in frame["threads"]
        }
        for index in [index for index in self.gone if self.threads.get(index) != before.get(index)]:
            del self.gone[index]  # another thread is this worker now
        if workers != self.workers:
            self.workers = workers
            side = 0 if shared else workers  # a shared queue has no deques to look at
            self._counts = np.zeros((3, side, side), dtype=np.int64)
            self.snapshots.clear()
        if self.complete_from_ns == NONE:
            self.complete_from_ns = self.declared_ns

    def _take_rows(self, frame: Frame) -> None:
        store = self.stores.get(frame["table"])
        if store is None:
            return
        # Before version 3 of the protocol a frame was of one ring.
        parts = frame.get("parts") or [(frame["worker"], frame["first"], frame["rows"])]
        whose = [(int(worker), int(first), int(rows)) for worker, first, rows in parts]
        end, held = 0, len(store)
        counts = [(worker, rows) for worker, _, rows in whose]
        if "words" in frame:
            store.append_words(frame["words"], int(frame["skip"]), counts)
        else:
            store.append(frame["columns"], counts)
        times = store[store.time][held:].tolist()
        for worker, first, rows in whose:
            begin, end = end, end + rows
            ring = self._ring(frame["table"], worker)
            if first > ring.written:  # no frame says so where a capture begins in the middle
                self._lose(frame["table"], ring, first - ring.written)
            ring.written = first + rows
            if ring.lost_since_ns is not None and rows:
                # A row that was lost ended before the first one after it did.
                self._close_loss(ring, times[begin])
            if rows:
                ring.last_ns = times[end - 1]

    def _lost(self, frame: Frame) -> None:
        ring = self._ring(frame["table"], int(frame["worker"]))
        self._lose(frame["table"], ring, int(frame["rows"]))

    def _lose(self, table: str, ring: _Ring, rows: int) -> None:
        ring.written += rows
        if table == SPAWNS.name:  # counts stay exact; only moments are missing
            if len(self.spawns):
                self.spawns_lost_ns = int(self.spawns["spawned_ns"][-1])
            return
        if table == MEETINGS.name:  # worker time does not hang on them
            self.meetings_lost += rows
            return
        if ring.lost_since_ns is None:
            # A ring that was empty when all had last been sent lost what came after that.
            ring.lost_since_ns = ring.last_ns if ring.last_ns != NONE else self.complete_ns
        if self.complete_ns != NONE:
            self.lost_rows += rows

    def _close_loss(self, ring: _Ring, until_ns: int) -> None:
        began = ring.lost_since_ns
        ring.lost_since_ns = None
        if self.complete_ns == NONE or began in (None, NONE):
            # Written before we attached: not lost, only older than what the rings still held.
            self.complete_from_ns = max(self.complete_from_ns, until_ns)
        elif began is not None:
            self.holes.append(Hole(began, until_ns))

    def _ring(self, table: str, worker: int) -> _Ring:
        rings = self._rings.setdefault(table, {})
        ring = rings.get(worker)
        if ring is None:
            ring = rings[worker] = _Ring()
        return ring

    def _counters(self, frame: Frame) -> None:
        if "columns" not in frame:
            self._counters_of_one(frame)
            return
        columns = [np.frombuffer(frame["columns"][name], dtype="<i8") for name in LOOKS]
        thief, victim, *added = np.stack(columns)
        side = len(self._counts[0])
        if not bool(((thief >= 0) & (thief < side) & (victim >= 0) & (victim < side)).all()):
            raise ValueError(f"counters of workers that a pool of {side} has not")
        for counts, more in zip(self._counts, added, strict=True):
            np.add.at(counts, (thief, victim), more)

    def _counters_of_one(self, frame: Frame) -> None:
        """Take counters as they were before version 3: of one thief, since the start."""
        thief = int(frame["worker"])
        if not 0 <= thief < len(self._counts[0]):
            raise ValueError(f"counters of worker {thief} in a pool of {self.workers}")
        for number, name in enumerate(("hits", "empties", "lost_races")):
            self._counts[number, thief] = np.frombuffer(frame[name], dtype="<i8")

    def _levels(self, frame: Frame) -> None:
        at_ns = int(frame["at_ns"])
        self.inbox = int(frame["inbox"])
        self.deques = [int(depth) for depth in frame["deques"]]
        self.open = [_open_intervals(worker) for worker in frame["workers"]]
        for worker in self.gone:
            self._end_open(worker)
        self.misuses = int(frame["misuses"])
        self.complete_ns = max(self.complete_ns, at_ns)
        self._snapshot(at_ns)
        ran = [int(tasks) for tasks in frame.get("ran", ())]
        self._total(at_ns, sum(ran), int(frame.get("spawned", NONE)))
        rings = self._rings.get(TASKS.name, {})
        rows = sum(ring.written for worker, ring in rings.items() if worker >= 0)
        self.untold = max(0, sum(ran) - rows) if ran else 0

    def note_gone(self, native_ids: Collection[int], seen_ns: Callable[[int], int]) -> None:
        """Note that threads are gone. `seen_ns` says when each was last seen, -1 for never.

        A pool whose workers come and go tells that itself.
        """
        if self.shared_queue or self.closed_ns >= 0:
            return
        for worker, thread in self.threads.items():
            if thread.native_id in native_ids and worker not in self.gone:
                began = (i.began_ns for i in (self.open[worker] if worker < len(self.open) else ()))
                ended = (self._last_ns(store, worker) for store in (self.tasks, self.gaps))
                self.gone[worker] = max(seen_ns(thread.native_id), *began, *ended)
                self._end_open(worker)

    @staticmethod
    def _last_ns(store: TableStore, worker: int) -> int:
        ended = store["ended_ns"][store["worker"] == worker]
        return int(ended.max()) if len(ended) else NONE

    def _end_open(self, worker: int) -> None:
        if worker < len(self.open):
            until = self.gone[worker]
            self.open[worker] = [i._replace(until_ns=until) for i in self.open[worker]]

    def _total(self, at_ns: int, ran: int, spawned: int) -> None:
        """Keep how many tasks had been run and handed in, by a moment, about twice a second."""
        if spawned < 0:
            spawned = self.written(SPAWNS.name)
        else:  # those that left no trace count all the same
            ring = self._ring(SPAWNS.name, NONE)
            ring.written = max(ring.written, spawned)
        if len(self.totals) > 1 and at_ns - self.totals[-2][0] < SNAPSHOT_SPACING_NS:
            self.totals.pop()
        self.totals.append((at_ns, ran, spawned))

    def _snapshot(self, at_ns: int) -> None:
        """Keep the counts: the latest always, older ones thinned out evenly to a bounded number."""
        kept = self.snapshots
        if len(kept) > 1 and at_ns - kept[-2].at_ns < self._spacing_ns:
            latest = kept[-1]  # its memory is at hand; nobody else has it
            latest.at_ns = at_ns
            np.copyto(latest.counts, self._counts)
        else:
            kept.append(CounterSnapshot(at_ns, self._counts.copy()))
        most = min(MOST_SNAPSHOTS, SNAPSHOT_BYTES // max(1, self._counts.nbytes))
        if len(kept) > max(LEAST_SNAPSHOTS, most):
            self._spacing_ns *= 2
            self.snapshots = deque([*list(kept)[:-1:2], kept[-1]])

    def counts_between(self, begin_ns: int, end_ns: int) -> CounterSnapshot:
        """Return the looks between two moments, per (thief, victim).

        Counted from the last snapshot up to the begin to the first at or after the end. A
        pool seen from its declaration on is counted from zero.
        """
        if not self.snapshots:
            return CounterSnapshot(end_ns, np.zeros_like(self._counts))
        moments = [snapshot.at_ns for snapshot in self.snapshots]
        first = self.snapshots[max(0, bisect_right(moments, begin_ns) - 1)]
        last = self.snapshots[min(len(moments) - 1, bisect_left(moments, end_ns))]
        if begin_ns <= self.declared_ns:
            return CounterSnapshot(last.at_ns, last.counts.copy())
        return CounterSnapshot(last.at_ns, last.counts - first.counts)

    def forget_before(self, moment_ns: int) -> None:
        """Drop rows, snapshots and holes that ended before `moment_ns`."""
        for store in self.stores.values():
            store.forget_before(moment_ns)
        while len(self.snapshots) > 1 and self.snapshots[1].at_ns <= moment_ns:
            self.snapshots.popleft()
        self.holes = [hole for hole in self.holes if hole.ended_ns > moment_ns]
        self.complete_from_ns = max(self.complete_from_ns, moment_ns)


def _open_intervals(rows: Any) -> list[OpenInterval]:
    intervals = []
    for row in rows:
        if row[0] == 0:
            task, _parent, kind, spawned, by, _size, started, taken = (int(v) for v in row[1:9])
            intervals.append(
                OpenInterval("task", started, task, kind, spawned, taken, spawned_by=by)
            )
        elif row[0] == 1:
            intervals.append(OpenInterval("wait", int(row[1]), on_task=int(row[2])))
        elif row[0] == 2:
            intervals.append(OpenInterval("parked" if row[2] else "searching", int(row[1])))
        elif row[0] == 3:
            intervals.append(OpenInterval("stay", int(row[1])))
    return intervals
