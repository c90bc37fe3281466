"""The ledger of one job: its processes, their pools, the host's counters, the cost of the probe.

Pure. Live and replayed streams go through the same `apply`, which takes checked frames of `ingest`.
The ledger counts what `ingest` skipped, and the frames for which it has no room.
"""

from __future__ import annotations

from bisect import insort
from collections import Counter, deque
from typing import NamedTuple

from idlehands.wire import NONE

from ..ingest import CheckedFrame, Refused, limits
from ..model.arrays import Int64
from .host import HostCounters, ProcessCounters
from .pool import PoolLedger
from .stacks import Samples

MOST_BESIDE = 256
"""Threads that are no workers held for a process; with more the former ones are dropped."""


class Cost(NamedTuple):
    """CPU time of the probe in its process up to a time, in nanoseconds."""

    at_ns: int
    recording_ns: int
    sending_ns: int


class Mark(NamedTuple):
    """A mark that a person has set, and the note to it."""

    at_ns: int
    note: str


class Origin:
    """One process of a job: its hello frame, the cost of its probe, how it ended ("" before).

    beside: the kernel's ids of threads that are no workers, the last ones sampled.
    """

    def __init__(self) -> None:
        self.hello = CheckedFrame({})
        self.costs: deque[Cost] = deque(maxlen=120)
        self.ended = ""
        self.beside: set[int] = set()

    def note_beside(self, threads: list[int]) -> None:
        """Note threads of the process that are no workers."""
        if len(self.beside) > MOST_BESIDE:
            self.beside.clear()
        self.beside.update(threads[:MOST_BESIDE])


class Ledger:
    """What has arrived from one job, of one process or several.

    Attributes: origins, by process id (-1 where the stream does not say); pools, by a number that
    is unique in the job; host, processes; samples, of an external process; skipped, how many were
    left out, by what and why; dropped, how many closed pools were dropped to make room for others;
    window, the (begin, end) that a capture was requested for, None without limits; marks, those
    that a person has set, in order; totals, by process and pool, of the time of which a capture
    holds no more than totals a second.
    """

    def __init__(self) -> None:
        self.origins: dict[int, Origin] = {}
        self.pools: dict[int, PoolLedger] = {}
        self.host = HostCounters()
        self.processes = ProcessCounters()
        self.samples = Samples()
        self.skipped: Counter[tuple[str, str]] = Counter()
        self.dropped = 0
        self.window: tuple[int, int] | None = None
        self.marks: list[Mark] = []
        self._started_ns = self._declared_ns = NONE
        self.totals: dict[tuple[int, int], Int64] = {}
        self._from = NONE
        self._next = 0
        self._numbers: dict[tuple[int, int], int] = {}
        self._workers = self._pairs = 0  # of all pools held
        self._workers_of: dict[tuple[int, int], set[tuple[int, int]]] = {}

    @property
    def hello(self) -> CheckedFrame:
        """The hello frame of the job's first process, empty before it has arrived."""
        every = (origin.hello for origin in self.origins.values() if origin.hello)
        return next(every, CheckedFrame({}))

    @property
    def began_ns(self) -> int:
        """When the run began: when the job's first process started, -1 before anything arrived.

        Where no sample says so, when the first of its pools was declared, or a reader attached.
        """
        known = [at_ns for at_ns in (self._started_ns, self._declared_ns) if at_ns != NONE]
        return min(known) if known else int(self.hello.get("now_ns", NONE))

    @property
    def skipped_frames(self) -> int:
        """How many frames were left out entirely."""
        return sum(count for (what, _), count in self.skipped.items() if what.startswith("frames"))

    @property
    def is_over(self) -> bool:
        """Whether every process of the job has ended."""
        return all(origin.ended for origin in self.origins.values())

    def begins_anew(self, frame: CheckedFrame) -> bool:
        """Return whether a frame is the first of another job, which needs another ledger.

        It is a hello frame after the end of all processes, or a second one of the only process.
        """
        if frame["frame"] != "hello" or not self.hello:
            return False
        return self.is_over or list(self.origins) == [self._from]

    def successor(self) -> Ledger:
        """Return an empty ledger that continues at this one's place in the stream."""
        other = Ledger()
        other._from = self._from
        other.totals = self.totals
        other.skipped = self.skipped
        return other

    @property
    def latest_ns(self) -> int:
        """The latest time up to which the rows of some pool are complete, -1 before any.

        Without a pool, the time of the latest sample.
        """
        complete = (pool.complete_ns for pool in self.pools.values())
        return max(complete, default=self.samples.latest_ns)

    def apply(self, frame: CheckedFrame) -> None:
        """Take one frame."""
        try:
            self._apply(frame)
        except Refused as error:
            self.skipped[f"frames of {frame['frame']}", str(error)] += 1

    def _apply(self, frame: CheckedFrame) -> None:
        kind = frame["frame"]
        if kind == "from":
            self._from = frame["pid"]
        elif kind == "hello":
            self._hello(frame)
        elif kind == "cost":
            cost = Cost(frame["at_ns"], frame["recording_ns"], frame["sending_ns"])
            self._origin().costs.append(cost)
        elif kind == "bye":
            self._origin().ended = frame["reason"] or "ended"
        elif kind == "withdrawn":
            if (key := (self._from, frame["pool"])) in self._numbers:
                self._forget(key)
        elif kind in ("names", "rows", "lost", "counters", "levels"):
            self._of_pool(frame)
        else:
            self._of_monitor(kind, frame)

    def _of_monitor(self, kind: str, frame: CheckedFrame) -> None:
        """Take a frame that the monitor has put into the stream."""
        if kind == "host":
            self.host.apply(frame)
            self.processes.apply_switches(frame)
            if frame["beside"]:
                self._origin().note_beside(frame["beside"])
            for native_id in frame["gone"]:
                for number, worker in self._workers_of.pop((self._from, native_id), ()):
                    self.pools[number].note_gone(worker, self.host.last_ns(native_id))
            if self.hello.get("sampled"):
                self.samples.note(frame["at_ns"])
        elif kind == "stacks":
            self.samples.add_dump(frame)
        elif kind == "process":
            self.processes.apply(frame)
            if self._started_ns == NONE and frame["pid"] == self.hello.get("pid"):
                self._started_ns = frame["started_ns"]
        elif kind == "window":
            self.window = frame["begin_ns"], frame["begin_ns"] + frame["length_ns"]
        elif kind == "mark":
            self.add_mark(Mark(frame["at_ns"], frame["note"]))
        elif kind == "totals":
            self._totals(frame)
        elif kind == "skipped":
            self.skipped[frame["what"], frame["why"]] += frame["count"]

    def add_mark(self, mark: Mark) -> None:
        """Add a mark, once: whoever jumps to it knows it before its frame, which comes when its
        note has been written. Raises Refused past the limit."""
        if mark in self.marks:
            return
        if len(self.marks) >= limits.MARKS:
            raise Refused(f"more than {limits.MARKS:,} marks")
        insort(self.marks, mark)

    def _totals(self, frame: CheckedFrame) -> None:
        if len(self.totals) >= limits.POOLS:
            raise Refused(f"of more than {limits.POOLS:,} pools")
        self.totals[self._from, frame["pool"]] = frame["values"]

    def _origin(self) -> Origin:
        origin = self.origins.get(self._from)
        if origin is None:
            if len(self.origins) >= limits.PROCESSES:
                raise Refused(f"more than {limits.PROCESSES:,} processes")
            origin = self.origins[self._from] = Origin()
        return origin

    def _hello(self, frame: CheckedFrame) -> None:
        if self._origin().hello:  # the same process again, from the beginning of its rings
            self._drop(self._from)
        self._origin().hello = frame

    def _drop(self, pid: int) -> None:
        for key in [key for key in self._numbers if key[0] == pid]:
            self._forget(key)
        del self.origins[pid]

    def _of_pool(self, frame: CheckedFrame) -> None:
        key = (self._from, frame["pool"])
        if frame["frame"] == "names":
            self._names(key, frame)
        elif key in self._numbers:  # otherwise its names frame was lost
            self.pools[self._numbers[key]].apply(frame)

    def _names(self, key: tuple[int, int], frame: CheckedFrame) -> None:
        number = self._numbers.get(key)
        self._make_room(frame, number)
        if number is None:
            number = self._numbers[key] = self._next
            self._next += 1
            pid = self._from if self._from >= 0 else self._origin().hello.get("pid", NONE)
            self.pools[number] = PoolLedger(number, pid)
        self._forget_threads(key)
        self.pools[number].apply(frame)
        if self._declared_ns == NONE or frame["declared_ns"] < self._declared_ns:
            self._declared_ns = frame["declared_ns"]
        for worker, thread in self.pools[number].threads.items():
            workers = self._workers_of.setdefault((key[0], thread.native_id), set())
            workers.add((number, worker))

    def _forget_threads(self, key: tuple[int, int]) -> None:
        number = self._numbers[key]
        for worker, thread in self.pools[number].threads.items():
            workers = self._workers_of.get((key[0], thread.native_id), set())
            workers.discard((number, worker))
            if not workers:
                self._workers_of.pop((key[0], thread.native_id), None)

    def _make_room(self, names: CheckedFrame, number: int | None) -> None:
        """Forget closed pools until the pool of `names` fits. Raises Refused if none is left."""
        workers = names["workers"]
        pairs = 0 if names["shared_queue"] else workers**2
        if number is not None:
            workers -= self.pools[number].workers
            pairs -= self.pools[number].pairs
        while (
            len(self.pools) + (number is None) > limits.POOLS
            or self._workers + workers > limits.JOB_WORKERS
            or self._pairs + pairs > limits.JOB_PAIRS
        ):
            others = (key for key, other in self._numbers.items() if other != number)
            closed = next((k for k in others if self.pools[self._numbers[k]].closed_ns >= 0), None)
            if closed is None:
                raise Refused("more pools, or more workers in all, than the monitor holds")
            self._forget(closed)
            self.dropped += 1
        self._workers += workers
        self._pairs += pairs

    def requested(self, begin_ns: int, end_ns: int) -> tuple[int, int]:
        """Return the part of a stretch that was requested; all of it where that is nothing."""
        low, high = self.window or (begin_ns, end_ns)
        begin, end = max(begin_ns, low), min(end_ns, high)
        return (begin, end) if begin < end else (begin_ns, end_ns)

    def pool_of(self, frame: CheckedFrame) -> PoolLedger | None:
        """Return the pool that the next frame is of, None where it is of none that is held."""
        number = self._numbers.get((self._from, frame["pool"])) if "pool" in frame else None
        return self.pools.get(number) if number is not None else None

    def _forget(self, key: tuple[int, int]) -> None:
        """Forget a pool; later frames of it are left out."""
        self._forget_threads(key)
        pool = self.pools.pop(self._numbers.pop(key))
        self._workers -= pool.workers
        self._pairs -= pool.pairs

    def shrink(self, most_bytes: int) -> int:
        """Forget the oldest rows of the largest pools until all fit; return how many rows went."""
        sizes = {pool.number: pool.held_bytes for pool in self.pools.values()}
        total, forgotten = sum(sizes.values()), 0
        while total > most_bytes:
            number = max(sizes, key=lambda number: sizes[number])
            pool, before = self.pools[number], sizes[number]
            forgotten += pool.halve()
            sizes[number] = pool.held_bytes
            total += sizes[number] - before
            if sizes[number] >= before:
                return forgotten  # no rows are left; `limits.POOLS` bounds the rest
        return forgotten

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop what ended before `timestamp_ns`, also ended processes of a job that goes on."""
        for pid in [pid for pid, origin in self.origins.items() if origin.ended]:
            pools = [self.pools[n] for key, n in self._numbers.items() if key[0] == pid]
            if not self.is_over and all(pool.complete_ns < timestamp_ns for pool in pools):
                self._drop(pid)
        for pool in self.pools.values():
            pool.forget_before(timestamp_ns)
        self.host.forget_before(timestamp_ns)
        self.processes.forget_before(timestamp_ns)
        self.samples.forget_before(timestamp_ns)
