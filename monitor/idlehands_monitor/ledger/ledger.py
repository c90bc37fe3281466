"""The whole ledger of one process: its pools, its host counters, what the probe cost it.

Live and replayed streams go through the same `apply`; a bad frame is counted and skipped, so
that one wrong frame in a capture does not lose the rest.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from idlehands.wire import NONE, Frame

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
        self.hello: Frame = {}
        self.costs: deque[Cost] = deque(maxlen=120)
        self.ended = ""


class Ledger:
    """What has arrived from one job, of one process or several.

    Attributes: origins by process id (one under -1 where the stream does not say), pools by a
    number that is unique in the job, host, processes, samples (of a process without a probe),
    skipped_frames, window (between which moments a capture was asked for, None if for no time).
    """

    def __init__(self) -> None:
        self.origins: dict[int, Origin] = {}
        self.pools: dict[int, PoolLedger] = {}
        self.host = HostCounters()
        self.processes = ProcessCounters()
        self.samples = Samples()
        self.skipped_frames = 0
        self.window: tuple[int, int] | None = None
        self._from = NONE
        self._numbers: dict[tuple[int, int], int] = {}
        self._next_number = 0

    @property
    def hello(self) -> Frame:
        """The first frame of the job's first process, empty before it."""
        return next((origin.hello for origin in self.origins.values() if origin.hello), {})

    @property
    def is_over(self) -> bool:
        """Whether every process of it has ended."""
        return all(origin.ended for origin in self.origins.values())

    def begins_anew(self, frame: Frame) -> bool:
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
        return other

    @property
    def latest_ns(self) -> int:
        """The latest moment up to which some pool's rows are complete, -1 before any.

        Without any pool, the latest moment that was sampled.
        """
        complete = (pool.complete_ns for pool in self.pools.values())
        return max(complete, default=self.samples.latest_ns)

    def apply(self, frame: Frame) -> None:
        """Take one frame."""
        try:
            self._apply(frame)
        except (KeyError, ValueError, TypeError, IndexError):
            self.skipped_frames += 1

    def _apply(self, frame: Frame) -> None:
        kind = frame["frame"]
        if kind == "from":
            self._from = int(frame["pid"])
        elif kind == "hello":
            self._hello(frame)
        elif kind == "host":
            self.host.apply(frame)
            self.processes.apply_switches(frame)
            if gone := {int(native_id) for native_id in frame.get("gone", ())}:
                for key, number in self._numbers.items():
                    if key[0] == self._from:
                        self.pools[number].note_gone(gone, self.host.last_ns)
            if self.hello.get("sampled") is True:
                self.samples.note(int(frame["at_ns"]))
        elif kind == "stacks":
            self.samples.add_dump(frame)
        elif kind == "process":
            self.processes.apply(frame)
        elif kind == "cost":
            cost = Cost(frame["at_ns"], frame["recording_ns"], frame["sending_ns"])
            self._origin().costs.append(cost)
        elif kind == "window":
            begin_ns, length_ns = int(frame["begin_ns"]), int(frame["length_ns"])
            self.window = begin_ns, begin_ns + length_ns
        elif kind == "bye":
            self._origin().ended = str(frame.get("reason", "")) or "ended"
        elif kind == "withdrawn":
            self.pools.pop(self._numbers.pop((self._from, int(frame["pool"])), NONE), None)
        elif kind in ("names", "rows", "lost", "counters", "levels"):
            self._of_pool(frame)

    def _origin(self) -> Origin:
        return self.origins.setdefault(self._from, Origin())

    def _hello(self, frame: Frame) -> None:
        if self._origin().hello:  # the same process from the beginning of its rings again
            self._drop(self._from)
        self._origin().hello = frame

    def _drop(self, pid: int) -> None:
        for key in [key for key in self._numbers if key[0] == pid]:
            self.pools.pop(self._numbers.pop(key), None)
        del self.origins[pid]

    def _of_pool(self, frame: Frame) -> None:
        key = (self._from, int(frame["pool"]))
        if key not in self._numbers:
            if frame["frame"] != "names":
                return  # its names were lost or are damaged: nothing can be said of it
            number = self._numbers[key] = self._next_number
            self._next_number += 1
            pid = self._from if self._from >= 0 else self._origin().hello.get("pid", NONE)
            self.pools[number] = PoolLedger(number, pid if isinstance(pid, int) else NONE)
        self.pools[self._numbers[key]].apply(frame)

    def forget_before(self, moment_ns: int) -> None:
        """Drop what ended before `moment_ns`, whole processes of a job that goes on included."""
        for pid in [pid for pid, origin in self.origins.items() if origin.ended]:
            pools = [self.pools[n] for key, n in self._numbers.items() if key[0] == pid]
            if not self.is_over and all(pool.complete_ns < moment_ns for pool in pools):
                self._drop(pid)
        for pool in self.pools.values():
            pool.forget_before(moment_ns)
        self.host.forget_before(moment_ns)
        self.processes.forget_before(moment_ns)
        self.samples.forget_before(moment_ns)
