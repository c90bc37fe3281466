"""The whole ledger of one process: its pools, its host counters, what the probe cost it.

Live and replayed streams go through the same `apply`; a bad frame is counted and skipped, so
that one wrong frame in a capture does not lose the rest.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from idlehands.wire import Frame

from .host import HostCounters, ProcessCounters
from .pool import PoolLedger
from .stacks import Samples


class Cost(NamedTuple):
    """What the probe had cost its process up to a moment, in nanoseconds of CPU."""

    at_ns: int
    recording_ns: int
    sending_ns: int


class Ledger:
    """What has arrived from one process.

    Attributes: hello (its first frame, empty before it), pools by number, host, processes, costs,
    samples (of a process without a probe), ended (its bye has come), skipped_frames.
    """

    def __init__(self) -> None:
        self.hello: Frame = {}
        self.pools: dict[int, PoolLedger] = {}
        self.host = HostCounters()
        self.processes = ProcessCounters()
        self.costs: deque[Cost] = deque(maxlen=120)
        self.samples = Samples()
        self.ended = ""
        self.skipped_frames = 0

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
        if kind == "hello":
            self.hello = frame
        elif kind == "host":
            self.host.apply(frame)
            self.processes.apply_switches(frame)
            if self.hello.get("sampled") is True:
                self.samples.add_waits(int(frame["at_ns"]), frame.get("waits", {}))
        elif kind == "stacks":
            self.samples.add_dump(frame)
        elif kind == "process":
            self.processes.apply(frame)
        elif kind == "cost":
            self.costs.append(Cost(frame["at_ns"], frame["recording_ns"], frame["sending_ns"]))
        elif kind == "bye":
            self.ended = str(frame.get("reason", "")) or "ended"
        elif kind in ("names", "rows", "lost", "counters", "levels"):
            number = int(frame["pool"])
            pool = self.pools.get(number)
            if pool is None:
                if kind != "names":
                    return  # its names were lost or are damaged: nothing can be said of it
                pool = self.pools[number] = PoolLedger(number)
            pool.apply(frame)

    def forget_before(self, moment_ns: int) -> None:
        """Drop what ended before `moment_ns`."""
        for pool in self.pools.values():
            pool.forget_before(moment_ns)
        self.host.forget_before(moment_ns)
        self.processes.forget_before(moment_ns)
        self.samples.forget_before(moment_ns)
