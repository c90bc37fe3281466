"""The whole ledger of one process: its pools, its host counters, what the probe cost it.

Live and replayed streams go through the same `apply`, which takes what `ingest` has checked. What
was skipped there is counted here, with the frames for which there is no room or no pool.
"""

from __future__ import annotations

from collections import Counter, deque
from typing import NamedTuple

from idlehands.wire import NONE

from ..ingest import CheckedFrame, Refused, limits
from .host import HostCounters, ProcessCounters
from .pool import PoolLedger
from .stacks import Samples


class Cost(NamedTuple):
    """What the probe had cost its process up to a moment, in nanoseconds of CPU."""

    at_ns: int
    recording_ns: int
    sending_ns: int


class Origin:
    """One process of a job: its hello, what its probe cost it, and how it ended ("" before)."""

    def __init__(self) -> None:
        self.hello = CheckedFrame({})
        self.costs: deque[Cost] = deque(maxlen=120)
        self.ended = ""


class Ledger:
    """What has arrived from one job, of one process or several.

    Attributes: origins by process id (one under -1 where the stream does not say), pools by a
    number that is unique in the job, host, processes, samples (of a process without a probe),
    skipped (how much was left out, by what it was and why), dropped (how many closed pools were let
    go to make room for others), window (between which moments a capture was asked for, None if for
    no time).
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
        self._from = NONE
        self._next = 0
        self._numbers: dict[tuple[int, int], int] = {}
        self._workers = self._pairs = 0  # of all pools held
        self._workers_of: dict[tuple[int, int], set[tuple[int, int]]] = {}

    @property
    def hello(self) -> CheckedFrame:
        """The first frame of the job's first process, empty before it."""
        every = (origin.hello for origin in self.origins.values() if origin.hello)
        return next(every, CheckedFrame({}))

    @property
    def skipped_frames(self) -> int:
        """How many whole frames were left out."""
        return sum(count for (what, _), count in self.skipped.items() if what.startswith("frames"))

    @property
    def is_over(self) -> bool:
        """Whether every process of it has ended."""
        return all(origin.ended for origin in self.origins.values())

    def begins_anew(self, frame: CheckedFrame) -> bool:
        """Say whether a frame is the first of another job, for which another ledger is due.

        So it is if all processes have ended, and if the only one there is says hello again.
        """
        if frame["frame"] != "hello" or not self.hello:
            return False
        return self.is_over or list(self.origins) == [self._from]

    def successor(self) -> Ledger:
        """Return an empty ledger that goes on reading where this one was in the stream."""
        other = Ledger()
        other._from = self._from
        other.skipped = self.skipped
        return other

    @property
    def latest_ns(self) -> int:
        """The latest moment up to which some pool's rows are complete, -1 before any.

        Without any pool, the latest moment that was sampled.
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
        elif kind == "host":
            self.host.apply(frame)
            self.processes.apply_switches(frame)
            for native_id in frame["gone"]:
                for number, worker in self._workers_of.pop((self._from, native_id), ()):
                    self.pools[number].note_gone(worker, self.host.last_ns(native_id))
            if self.hello.get("sampled"):
                self.samples.note(frame["at_ns"])
        elif kind == "stacks":
            self.samples.add_dump(frame)
        elif kind == "process":
            self.processes.apply(frame)
        elif kind == "cost":
            cost = Cost(frame["at_ns"], frame["recording_ns"], frame["sending_ns"])
            self._origin().costs.append(cost)
        elif kind == "window":
            self.window = frame["begin_ns"], frame["begin_ns"] + frame["length_ns"]
        elif kind == "bye":
            self._origin().ended = frame["reason"] or "ended"
        elif kind == "withdrawn":
            if (key := (self._from, frame["pool"])) in self._numbers:
                self._let_go(key)
        elif kind == "skipped":
            self.skipped[frame["what"], frame["why"]] += frame["count"]
        elif kind in ("names", "rows", "lost", "counters", "levels"):
            self._of_pool(frame)

    def _origin(self) -> Origin:
        origin = self.origins.get(self._from)
        if origin is None:
            if len(self.origins) >= limits.PROCESSES:
                raise Refused(f"more than {limits.PROCESSES:,} processes")
            origin = self.origins[self._from] = Origin()
        return origin

    def _hello(self, frame: CheckedFrame) -> None:
        if self._origin().hello:  # the same process from the beginning of its rings again
            self._drop(self._from)
        self._origin().hello = frame

    def _drop(self, pid: int) -> None:
        for key in [key for key in self._numbers if key[0] == pid]:
            self._let_go(key)
        del self.origins[pid]

    def _of_pool(self, frame: CheckedFrame) -> None:
        key = (self._from, frame["pool"])
        if frame["frame"] == "names":
            self._names(key, frame)
        elif key in self._numbers:  # else its names were lost: nothing can be said of it
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
        """Let go of closed pools until a pool of these names fits. Raises Refused if none does."""
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
                raise Refused("more pools, or more workers in all, than there is room for")
            self._let_go(closed)
            self.dropped += 1
        self._workers += workers
        self._pairs += pairs

    def _let_go(self, key: tuple[int, int]) -> None:
        """Forget a pool; what still comes of it is left out."""
        self._forget_threads(key)
        pool = self.pools.pop(self._numbers.pop(key))
        self._workers -= pool.workers
        self._pairs -= pool.pairs

    def shrink(self, most_bytes: int) -> int:
        """Forget the oldest rows of the largest pools until all take no more; return how many."""
        sizes = {pool.number: pool.held_bytes for pool in self.pools.values()}
        total, forgotten = sum(sizes.values()), 0
        while total > most_bytes:
            number = max(sizes, key=lambda number: sizes[number])
            pool, before = self.pools[number], sizes[number]
            forgotten += pool.halve()
            sizes[number] = pool.held_bytes
            total += sizes[number] - before
            if sizes[number] >= before:
                return forgotten  # tables without rows: there are no more pools than `POOLS`
        return forgotten

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop what ended before `timestamp_ns`, whole processes of a job that goes on included."""
        for pid in [pid for pid, origin in self.origins.items() if origin.ended]:
            pools = [self.pools[n] for key, n in self._numbers.items() if key[0] == pid]
            if not self.is_over and all(pool.complete_ns < timestamp_ns for pool in pools):
                self._drop(pid)
        for pool in self.pools.values():
            pool.forget_before(timestamp_ns)
        self.host.forget_before(timestamp_ns)
        self.processes.forget_before(timestamp_ns)
        self.samples.forget_before(timestamp_ns)
