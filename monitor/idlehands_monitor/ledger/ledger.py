"""The whole ledger of one process: its pools, its host counters, what the probe cost it.

Live and replayed streams go through the same `apply`; a bad frame is counted and skipped, so
that one wrong frame in a capture does not lose the rest.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from idlehands.wire import Frame

from .pool import PoolLedger
from .stacks import Samples


class Cost(NamedTuple):
    """What the probe had cost its process up to a moment, in nanoseconds of CPU."""

    at_ns: int
    recording_ns: int
    sending_ns: int


class HostCounters:
    """Cumulative on-core and run-queue nanoseconds per thread, by kernel thread id."""

    def __init__(self) -> None:
        self._samples: dict[int, deque[tuple[int, int, int]]] = {}
        self.has_run_queue = False

    def add(self, at_ns: int, native_id: int, on_core_ns: int, run_queue_ns: int) -> None:
        """Add a sample. A counter that went backwards is another thread with the same id."""
        samples = self._samples.setdefault(native_id, deque())
        if samples and (on_core_ns < samples[-1][1] or at_ns < samples[-1][0]):
            samples.clear()
        samples.append((at_ns, on_core_ns, run_queue_ns))
        self.has_run_queue = self.has_run_queue or run_queue_ns >= 0

    def between(self, native_id: int, begin_ns: int, end_ns: int) -> tuple[float, float, int]:
        """Return (on-core ns, run-queue ns, ns of the stretch covered) inside two moments.

        Between samples the counters are taken to grow evenly. Zeros when nothing is known.
        """
        samples = self._samples.get(native_id)
        if not samples or len(samples) < 2:
            return 0.0, 0.0, 0
        table: npt.NDArray[np.int64] = np.array(samples, dtype=np.int64)
        low, high = max(begin_ns, int(table[0, 0])), min(end_ns, int(table[-1, 0]))
        if high <= low:
            return 0.0, 0.0, 0
        on_core, run_queue = (
            float(np.diff(np.interp([low, high], table[:, 0], table[:, column]))[0])
            for column in (1, 2)
        )
        return on_core, max(0.0, run_queue), high - low

    def forget_before(self, moment_ns: int) -> None:
        """Drop the samples before `moment_ns`, but for the last, from which growth is counted."""
        for samples in self._samples.values():
            while len(samples) > 2 and samples[1][0] <= moment_ns:
                samples.popleft()


class Ledger:
    """What has arrived from one process.

    Attributes: hello (its first frame, empty before it), pools by number, host, costs,
    samples (of a process without a probe), ended (its bye has come), skipped_frames.
    """

    def __init__(self) -> None:
        self.hello: Frame = {}
        self.pools: dict[int, PoolLedger] = {}
        self.host = HostCounters()
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
            for native_id, (on_core, run_queue) in frame["threads"].items():
                self.host.add(int(frame["at_ns"]), int(native_id), int(on_core), int(run_queue))
            if self.hello.get("sampled") is True:
                self.samples.add_waits(int(frame["at_ns"]), frame.get("waits", {}))
        elif kind == "stacks":
            self.samples.add_dump(frame)
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
        self.samples.forget_before(moment_ns)
