"""Counters of threads and processes from the host: cumulative, sampled over time.

Pure bookkeeping. A counter that goes backwards belongs to another thread or process with the same
id, so the samples of the former one are dropped.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from idlehands.wire import NONE

from ..model.arrays import Int64
from .thread_waits import ThreadSamples

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..ingest import CheckedFrame


MOST_SAMPLES = 512
"""Samples of one process or thread; past this every other one is dropped, not the oldest."""
MOST_IDS = 4096
"""Processes or threads held at a time; the one with the oldest last sample is dropped first."""
MOST_THREADS = 1 << 14
MOST_PROCESS_SAMPLES, MOST_SWITCH_SAMPLES, MOST_TIMES = 1 << 14, 1 << 17, 1 << 20
"""Samples of all processes or threads together; past this every other one is dropped."""
GROWTH_NS = 300_000_000_000
"""How long samples of memory are held: memory grows slowly, so longer than other rows."""


class _ThreadCounters:
    """Samples of one thread's counters, oldest first."""

    __slots__ = ("on_core", "run_queue", "timestamps")

    def __init__(self) -> None:
        self.timestamps = array("q")
        self.on_core = array("q")
        self.run_queue = array("q")

    def at(self, timestamp_ns: int) -> tuple[float, float]:
        """Return both counters, in ns, at a time between the first and the last sample."""
        place = bisect_right(self.timestamps, timestamp_ns, 1, len(self.timestamps) - 1)
        before, after = self.timestamps[place - 1], self.timestamps[place]
        part = (timestamp_ns - before) / (after - before) if after > before else 0.0
        core, queue = self.on_core[place - 1], self.run_queue[place - 1]
        core_on = part * (self.on_core[place] - core)
        return core + core_on, queue + part * (self.run_queue[place] - queue)

    def drop(self, count: int) -> None:
        """Forget the first samples."""
        for values in (self.timestamps, self.on_core, self.run_queue):
            del values[:count]

    def thin(self) -> None:
        """Forget every other sample but the last."""
        for values in (self.timestamps, self.on_core, self.run_queue):
            del values[-2::-2]


class HostCounters:
    """Cumulative on-core and run-queue nanoseconds per thread, by kernel thread id.

    `waits` holds what the threads waited for in the same samples.
    """

    def __init__(self) -> None:
        self._threads: dict[int, _ThreadCounters] = {}
        self._held = 0
        self.has_run_queue = False
        self.waits = ThreadSamples()

    def apply(self, frame: CheckedFrame) -> None:
        """Take the threads' times of a ``host`` frame."""
        at_ns, timestamps = frame["at_ns"], frame["moments"]
        for native_id, (on_core, run_queue) in frame["threads"].items():
            self.add(timestamps.get(native_id, at_ns), native_id, on_core, run_queue)
        self.waits.add(at_ns, frame["waits"], timestamps)

    def add(self, at_ns: int, native_id: int, on_core_ns: int, run_queue_ns: int) -> None:
        """Add a sample. A counter that went backwards is another thread with the same id."""
        thread = self._threads.pop(native_id, None)
        if thread is None:
            thread = _ThreadCounters()
            if len(self._threads) >= MOST_THREADS:
                self._forget_thread(next(iter(self._threads)))
        self._threads[native_id] = thread  # moved to the end: ordered by last sample
        if thread.timestamps and (on_core_ns < thread.on_core[-1] or at_ns < thread.timestamps[-1]):
            self._held -= len(thread.timestamps)
            thread.drop(len(thread.timestamps))
        thread.timestamps.append(at_ns)
        thread.on_core.append(on_core_ns)
        thread.run_queue.append(run_queue_ns)
        self.has_run_queue = self.has_run_queue or run_queue_ns >= 0
        self._held += 1
        if self._held > MOST_TIMES:
            for thread in self._threads.values():
                thread.thin()
            self._held = sum(len(thread.timestamps) for thread in self._threads.values())

    def _forget_thread(self, native_id: int) -> None:
        self._held -= len(self._threads.pop(native_id).timestamps)

    def between(self, native_id: int, begin_ns: int, end_ns: int) -> tuple[float, float, int]:
        """Return (on-core ns, run-queue ns, ns covered by samples) between two timestamps.

        Between samples the counters are assumed to grow evenly. Zeros without samples.
        """
        thread = self._threads.get(native_id)
        if thread is None:
            return 0.0, 0.0, 0
        first, last = thread.timestamps[0], thread.timestamps[-1]
        low = begin_ns if begin_ns > first else first
        high = end_ns if end_ns < last else last
        if high <= low:
            return 0.0, 0.0, 0
        (core, queue), (core_then, queue_then) = thread.at(high), thread.at(low)
        return core - core_then, max(0.0, queue - queue_then), high - low

    def last_ns(self, native_id: int) -> int:
        """Return the time of a thread's last sample, -1 without any."""
        thread = self._threads.get(native_id)
        return thread.timestamps[-1] if thread is not None and thread.timestamps else NONE

    def samples(self, native_id: int, begin_ns: int, end_ns: int, more: int) -> Int64:
        """Return a thread's samples in a stretch and up to `more` on either side of it.

        Shape (n, 3): timestamp, on-core ns and run-queue ns so far.
        """
        return self.samples_of([(native_id, begin_ns, end_ns)], more)[1]

    def samples_of(
        self, stretches: Iterable[tuple[int, int, int]], more: int
    ) -> tuple[Int64, Int64]:
        """Return (counts, samples) of several threads, each given as (native id, begin, end).

        counts: the number of samples of each thread, shape (threads,). samples: as `samples`
        returns them, thread after thread.
        """
        counts: list[int] = []
        columns: tuple[list[int], list[int], list[int]] = [], [], []
        for native_id, begin_ns, end_ns in stretches:
            thread = self._threads.get(native_id)
            if thread is None:
                counts.append(0)
                continue
            first = max(0, bisect_left(thread.timestamps, begin_ns) - more)
            last = bisect_right(thread.timestamps, end_ns) + more
            timestamps = thread.timestamps[first:last]
            counts.append(len(timestamps))
            columns[0].extend(timestamps)
            columns[1].extend(thread.on_core[first:last])
            columns[2].extend(thread.run_queue[first:last])
        return np.array(counts, dtype=np.int64), np.array(columns, dtype=np.int64).T

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop the samples before `timestamp_ns`, but for the last one: differences need it.

        A thread without a sample since then is forgotten.
        """
        for native_id, thread in list(self._threads.items()):
            if thread.timestamps[-1] < timestamp_ns:
                self._forget_thread(native_id)
                continue
            old = bisect_right(thread.timestamps, timestamp_ns) - 1
            dropped = max(0, min(old, len(thread.timestamps) - 2))
            thread.drop(dropped)
            self._held -= dropped
        self.waits.forget_before(timestamp_ns)


class SwitchSample(NamedTuple):
    """One thread: context switches and time waited for block I/O so far, -1 where unknown."""

    at_ns: int
    voluntary_switches: int
    nonvoluntary_switches: int
    io_wait_ns: int


class ProcessSample(NamedTuple):
    """One process, as in a ``process`` frame; counters so far, -1 where unknown."""

    at_ns: int
    resident_bytes: int
    minor_faults: int
    major_faults: int
    voluntary_switches: int
    nonvoluntary_switches: int
    io_wait_ns: int
    affinity: int
    usable_cores: float
    quota_cores: float
    periods: int
    throttled_periods: int
    throttled_ns: int
    started_ns: int = NONE
    memory_left_bytes: int = NONE


class ProcessCounters:
    """Samples of processes by pid, and of threads by native id."""

    def __init__(self) -> None:
        self.processes: dict[int, list[ProcessSample]] = {}
        self.threads: dict[int, list[SwitchSample]] = {}

    def apply(self, frame: CheckedFrame) -> None:
        """Take a ``process`` frame."""
        new = ProcessSample(**{name: frame[name] for name in ProcessSample._fields})
        pid = frame["pid"]
        held = self.processes.get(pid)
        if held and (new.at_ns < held[-1].at_ns or new.minor_faults < held[-1].minor_faults):
            held.clear()
        _add(self.processes, pid, new, MOST_PROCESS_SAMPLES)

    def apply_switches(self, frame: CheckedFrame) -> None:
        """Take the switches in a ``host`` frame, if it has any."""
        for native_id, counted in frame["switches"].items():
            new = SwitchSample(frame["at_ns"], *counted)
            held = self.threads.get(native_id)
            if held and (new.at_ns < held[-1].at_ns or new[1] < held[-1][1]):
                held.clear()
            _add(self.threads, native_id, new, MOST_SWITCH_SAMPLES)

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop the samples of more than `GROWTH_NS` before `timestamp_ns`, but for the last one."""
        for held in (self.processes, self.threads):
            _forget(held, timestamp_ns - GROWTH_NS)


def _add(held: dict[int, list[Any]], number: int, new: Any, most: int) -> None:
    samples = held.pop(number, [])  # moved to the end: ordered by last sample
    samples.append(new)
    if len(samples) > min(MOST_SAMPLES, max(2, most // (len(held) + 1))):
        # The newest sample always stays; of an odd number the oldest, too.
        samples[:] = samples[::2] if len(samples) % 2 else samples[1::2]
    held[number] = samples
    if len(held) > MOST_IDS:
        del held[next(iter(held))]


def _forget(held: dict[int, list[Any]], timestamp_ns: int) -> None:
    for number, samples in list(held.items()):
        if samples[-1].at_ns < timestamp_ns:
            del held[number]
            continue
        old = bisect_right(samples, timestamp_ns, key=attrgetter("at_ns")) - 1
        del samples[: max(0, old)]
