"""The external source: samples a Python process that has no probe, from outside.

It makes its own frames: the kernel's counters and waits of all threads four times a second, those
of the process once a second, and stacks by py-spy, one dump of a process a second, or fewer where
dumps would take more than `BUDGET` of the cores. Each sample comes at a random time in its own
stretch (stratified sampling), so that the samples do not keep step with a job that does something
once a second. No process is stopped or written to. Child processes are sampled too, in turn.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import resource
import sys
import threading
from time import monotonic, monotonic_ns, time_ns

import psutil

from idlehands.wire import VERSION, Frame, WireError

from ...model.vocabulary import StreamState
from ..intake import TakingSource, made
from . import host, processes, stacks, thread_counters
from .kernel_waits import KernelWaits
from .stack_frames import clip, thread_frame, thread_of
from .status import SourceStatus
from .thread_ids import UNKNOWN, ThreadIds

HOST_SECONDS = 0.25
PROCESS_SECONDS = 1.0
HOST_SHARE = 0.02
"""Sampling the kernel's counters takes at most this share of the time of one core."""
BUDGET = 0.0025
"""Dumps take at most this share of the cores that the process may use, but one dump in
`SLOWEST_SECONDS` is always made."""
SLOWEST_SECONDS = 2.0
NICENESS = 10
FIRST_GUESS_SECONDS = 0.01
"""The assumed CPU time of a dump before the first one."""
JOINED_SECONDS = 0.2
"""The spacing while a process has no dump yet: the first one shows whose worker it is."""
FAMILY_SECONDS = 2.0
AGAIN_SECONDS = 10.0
"""A process that gave no stacks is asked again after this long."""
START_TRIES, START_SECONDS = 4, 0.25
MOST_THREADS = 4096


class ExternalSource(TakingSource):
    """Reads the threads of one process and of its children by sampling."""

    def __init__(self, pid: int) -> None:
        super().__init__(str(pid))
        self._pid = pid
        self._family: dict[int, int] = {}
        self._family_at = -FAMILY_SECONDS
        self._dumped_at: dict[int, float] = {}
        self._not_before: dict[int, float] = {}
        self._dump_seconds = FIRST_GUESS_SECONDS
        self._processes_at, self._turn = -PROCESS_SECONDS, 0
        self._ids = ThreadIds()
        self._waits = KernelWaits()
        self._state, self._note = StreamState.CONNECTING, f"sampling process {pid}"
        self._start()

    @property
    def status(self) -> SourceStatus:
        """The present state of the stream."""
        return SourceStatus(self._state, self._note, self._intake.warning)

    async def _run(self) -> None:
        _give_way()
        try:
            process = psutil.Process(self._pid)
        except psutil.Error:
            self._state, self._note = StreamState.ENDED, f"there is no process {self._pid}"
            return
        if not await self._attach():
            return
        self._state, self._note = StreamState.LIVE, ""
        dumping = asyncio.create_task(self._dump_in_turn())
        try:
            stretch = _Stretches()
            while _runs(process):
                began = monotonic()
                self._sample_host()
                if began - self._processes_at >= PROCESS_SECONDS:
                    self._processes_at = began
                    self._sample_processes()
                took = monotonic() - began
                await asyncio.sleep(stretch.next(max(HOST_SECONDS, took / HOST_SHARE)))
        finally:
            dumping.cancel()
        self._take({"frame": "bye", "reason": "the process has ended"})
        self._state, self._note = StreamState.ENDED, f"process {self._pid} has ended"

    async def _attach(self) -> bool:
        """Send the hello frame and the first dump; return False where nothing runs Python."""
        error: stacks.StackError | None = None
        for _ in range(START_TRIES):  # a process that was just started has no interpreter yet
            for pid in self._relatives():
                try:
                    threads = await self._threads(pid)
                except (stacks.NotPython, stacks.Gone) as failure:
                    error = failure if pid == self._pid or error is None else error
                    continue
                except stacks.StackError as failure:
                    self._hello()
                    self._send_missing(pid, failure)
                    return True
                self._hello()
                self._send_stacks(pid, threads)
                return True
            self._family_at = -FAMILY_SECONDS
            await asyncio.sleep(START_SECONDS)
        self._state, self._note = StreamState.ENDED, str(error or f"process {self._pid} has ended")
        return False

    def _hello(self) -> None:
        argv0, python = host.program(self._pid)
        self._take(
            {
                "frame": "hello",
                "version": VERSION,
                "pid": self._pid,
                "argv0": clip(argv0),
                "python": python,
                "now_ns": monotonic_ns(),
                "wall_ns": time_ns(),
                "sampled": True,
            }
        )

    def _relatives(self) -> dict[int, int]:
        """Return the processes to sample, each with its parent's id, as of the last seconds."""
        now = monotonic()
        if now - self._family_at >= FAMILY_SECONDS:
            self._family, self._family_at = host.family(self._pid), now
            for known in (self._dumped_at, self._not_before):
                for pid in [pid for pid in known if pid not in self._family]:
                    del known[pid]
            self._ids.forget_all_but(self._family)
        return self._family

    def _sample_host(self) -> None:
        threads = [(pid, native) for pid in self._relatives() for native in host.thread_ids(pid)]
        self._waits.keep_only(self._family)
        frame = thread_counters.sample(threads[:MOST_THREADS])
        waits = self._waits.sample(threads[:MOST_THREADS])
        self._take({**frame, "waits": waits} if waits else frame)

    def _sample_processes(self) -> None:
        """Send the counters of whole processes: memory, quota and usable cores."""
        frames, _ = processes.sample(processes.in_turn(sorted(self._relatives()), self._turn))
        self._turn += 1
        for frame in frames:
            self._take(frame)

    async def _dump_in_turn(self) -> None:
        cores = host.cores_by_affinity(self._pid) or 1
        stretch = _Stretches()
        while True:
            now = monotonic()
            waiting = [p for p in self._relatives() if self._not_before.get(p, now) <= now]
            seconds = spacing(len(waiting), self._dump_seconds, cores)
            if any(pid not in self._dumped_at for pid in waiting):
                seconds = min(seconds, JOINED_SECONDS)
            await asyncio.sleep(stretch.next(seconds))
            if waiting:
                await self._dump(min(waiting, key=lambda pid: self._dumped_at.get(pid, 0.0)))

    async def _dump(self, pid: int) -> None:
        spent = _spent_on_children()
        try:
            self._send_stacks(pid, await self._threads(pid))
        except (stacks.NotPython, stacks.Gone):
            self._dumped_at[pid] = monotonic()
            self._not_before[pid] = monotonic() + AGAIN_SECONDS
        except stacks.StackError as error:
            self._send_missing(pid, error)
        # A moving average, so that one slow dump does not set the pace.
        self._dump_seconds += (_spent_on_children() - spent - self._dump_seconds) / 4

    async def _threads(self, pid: int) -> list[Frame]:
        """Return the threads of a process with their stacks and waits. Raises StackError."""
        waits = self._waits.sample((pid, native) for native in host.thread_ids(pid))
        threads = await stacks.dump(pid)
        try:
            ids = self._ids.of(pid, threads)
            return [thread_of(pid, thread, ids, waits) for thread in threads]
        except (AttributeError, TypeError, ValueError) as error:
            raise stacks.StackError(f"py-spy gave an unexpected answer: {error}") from error

    def _send_missing(self, pid: int, error: stacks.StackError) -> None:
        """Send the threads of a process, and why they have no stacks."""
        threads = [
            thread_frame(pid, native, UNKNOWN, host.thread_name(pid, native))
            for native in host.thread_ids(pid)
        ]
        self._send_stacks(pid, threads, clip(error))

    def _send_stacks(self, pid: int, threads: list[Frame], missing: str = "") -> None:
        self._dumped_at[pid] = monotonic()
        frame = {
            "frame": "stacks",
            "at_ns": monotonic_ns(),
            "pid": pid,
            "parent": self._family.get(pid, UNKNOWN),
            "missing": missing,
            "threads": threads[:MOST_THREADS],
        }
        self._take(frame)

    def _take(self, frame: Frame) -> None:
        try:
            pieces = made(frame)
        except WireError:
            threads = frame.get("threads")
            if not isinstance(threads, list) or len(threads) < 2:
                return
            middle = len(threads) // 2  # one dump in two frames with the same timestamp
            self._take({**frame, "threads": threads[:middle]})
            self._take({**frame, "threads": threads[middle:]})
            return
        self._intake.last_data = monotonic()
        self._intake.take(pieces)


def spacing(processes: int, dump_seconds: float, cores: int) -> float:
    """Return the seconds from one dump to the next, of any process.

    dump_seconds: CPU time of a dump. No process is dumped more than once a second. All dumps
    together take at most `BUDGET` of the cores, but one in `SLOWEST_SECONDS` is always made.
    """
    wanted = max(1.0 / max(1, processes), dump_seconds / (BUDGET * max(1, cores)))
    return min(SLOWEST_SECONDS, wanted)


def _give_way() -> None:
    """Lower the priority of this thread and of the dumps that it starts.

    If both need the last core, the watched process should have it. Only Linux has a niceness of
    single threads (sched(7)); elsewhere it would slow down the keys of the screen.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICENESS)


def _runs(process: psutil.Process) -> bool:
    """Return whether it is still the same process, and not a zombie."""
    try:
        return process.is_running() and bool(process.status() != psutil.STATUS_ZOMBIE)
    except psutil.Error:
        return False


class _Stretches:
    """Divides time into stretches, and draws a random time in each."""

    def __init__(self) -> None:
        self._end = monotonic()

    def next(self, seconds: float) -> float:
        """Begin the next stretch of `seconds`; return the seconds from now to its random time."""
        now = monotonic()
        begin = max(self._end, now)
        self._end = begin + seconds
        return begin + random.random() * seconds - now  # noqa: S311 — to be uneven, not secret


def _spent_on_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
