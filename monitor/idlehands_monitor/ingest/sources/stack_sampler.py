"""Takes stacks of a job's processes while their workers wait in tasks, at a low rate.

`WaitingWorkers` says of which processes; they take turns. The first dumps come quickly, so that a
person need not wait for the place in the code; then all dumps together take at most `SHARE` of a
core. No process is paused or written to.
"""

from __future__ import annotations

import asyncio
from collections import deque
from time import monotonic, monotonic_ns, thread_time
from typing import TYPE_CHECKING, Any, NamedTuple

from . import host, stacks
from .kernel_waits import KernelWaits
from .stack_frames import clip, dump_frame, dump_pieces, thread_of
from .stretches import Stretches
from .thread_ids import UNKNOWN, ThreadIds
from .waiting_workers import Threads, WaitingWorkers

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence

    from .. import CheckedFrame, Piece

SHARE = 0.005
"""Of the time of one core."""
AT_FIRST_SECONDS = 0.25
"""What dumps may take beyond `SHARE`, once, and again after a time without dumps."""
LEAST_SPACING_SECONDS = 0.25
AGAIN_SECONDS = 60.0
"""A process whose stacks cannot be read is asked again after this long."""
MOST_THREADS = 1024
WAITS_SECONDS, MOST_WAITS = 0.002, 64
"""While a dump is made, what threads wait for is sampled so often; the last samples are held."""
READING_NS, THREAD_NS = 2_000_000, 250_000
"""What py-spy is taken to need after the last stack, and for each stack: a dump of 7 threads took
11 ms of CPU time, one of 67 threads 25 ms."""
Dumped = list[stacks.PySpyThread]


class Waits(NamedTuple):
    """What threads waited for at a time, by kernel id."""

    at_ns: int
    waits: dict[int, str]


class Allowance:
    """The CPU time, in seconds, that dumps may take."""

    def __init__(self, now: float) -> None:
        self._left, self._at = AT_FIRST_SECONDS, now

    def spend(self, seconds: float, now: float) -> None:
        """Note that a dump has taken so much."""
        self._left = min(AT_FIRST_SECONDS, self._left + SHARE * (now - self._at)) - seconds
        self._at = now

    def spacing(self, now: float) -> float:
        """Return the seconds until the next dump."""
        left = self._left + SHARE * (now - self._at)
        return max(LEAST_SPACING_SECONDS, -left / SHARE)


class StackSampler:
    """Takes the stacks of one job. take: takes in pieces that come from a process."""

    def __init__(self, take: Callable[[list[Piece], int], None]) -> None:
        self._take = take
        self._waiting = WaitingWorkers()
        self._waits, self._ids = KernelWaits(), ThreadIds()
        self._dumped_at: dict[int, float] = {}
        self._not_before: dict[int, float] = {}

    def note(
        self, origin: int, frames: Iterable[CheckedFrame], sampled: Mapping[int, Threads]
    ) -> None:
        """Take frames of the probe of process `origin`, and of the host's counters for it.

        sampled: the threads that may be sampled, by pool.
        """
        self._waiting.take(origin, frames, sampled)

    def forget(self, origin: int) -> None:
        """Forget a process that has ended."""
        self._waiting.forget(origin)

    async def run(self) -> None:
        """Take stacks until cancelled."""
        stretches, allowance = Stretches(), Allowance(monotonic())
        while True:
            await asyncio.sleep(stretches.next(allowance.spacing(monotonic())))
            wanted = self._waiting.processes(monotonic_ns())
            self._forget_all_but(wanted)
            now = monotonic()
            ready = [pid for pid in wanted if self._not_before.get(pid, now) <= now]
            if ready:
                pid = min(ready, key=lambda pid: self._dumped_at.get(pid, 0.0))
                spent = _spent()
                await self._dump(pid, wanted[pid])
                # Meanwhile another process may have ended, which took more than there was time for.
                took = monotonic() - now
                allowance.spend(min(took, _spent() - spent), monotonic())

    def _forget_all_but(self, pids: Iterable[int]) -> None:
        wanted = set(pids)
        self._waits.keep_only(wanted)
        self._ids.forget_all_but(wanted)
        self._dumped_at = {pid: at for pid, at in self._dumped_at.items() if pid in wanted}
        now = monotonic()
        self._not_before = {pid: at for pid, at in self._not_before.items() if at > now}

    async def _dump(self, pid: int, origin: int) -> None:
        """Take the stacks of one process, or say why they cannot be read."""
        self._dumped_at[pid] = monotonic()
        missing, threads, times = "", [], (UNKNOWN, monotonic_ns())
        samples: deque[Waits] = deque([self._waits_of(pid)], maxlen=MOST_WAITS)
        try:
            dumped = await self._sampled(stacks.dump(pid, gives_way=True), pid, samples)
            times, waits = lasting(samples, len(dumped))
            ids = self._ids.of(pid, dumped)
            threads = [thread_of(pid, thread, ids, waits) for thread in dumped[:MOST_THREADS]]
        except stacks.Torn:
            return  # the next one may be whole
        except (stacks.NotPython, stacks.Gone):
            self._not_before[pid] = monotonic() + AGAIN_SECONDS
            return
        except (stacks.StackError, AttributeError, TypeError, ValueError) as error:
            missing = clip(error)
        if missing or not samples[0].waits:
            self._not_before[pid] = monotonic() + AGAIN_SECONDS
        self._take(dump_pieces(dump_frame(pid, times, threads, missing)), origin)

    async def _sampled(
        self, dumping: Coroutine[Any, Any, Dumped], pid: int, samples: deque[Waits]
    ) -> Dumped:
        """Return what a dump returns; meanwhile add samples of what the threads wait for."""
        running = asyncio.create_task(dumping)
        try:
            while not running.done():
                await asyncio.wait({running}, timeout=WAITS_SECONDS)
                samples.append(self._waits_of(pid))
            return running.result()
        finally:
            running.cancel()

    def _waits_of(self, pid: int) -> Waits:
        """Sample what each thread of a process waits for; none where that may not be read."""
        at_ns = monotonic_ns()
        return Waits(at_ns, self._waits.sample((pid, n) for n in host.thread_ids(pid)))


def lasting(samples: Sequence[Waits], threads: int) -> tuple[tuple[int, int], dict[int, str]]:
    """Return the times between which py-spy read stacks, and what threads waited for, by kernel id.

    py-spy does so last of all, thread after thread. A thread that waited for something else before
    that than after it may have been in either at the moment of its stack: it is left out.
    """
    last = samples[-1]
    begin_ns = last.at_ns - READING_NS - THREAD_NS * threads
    before = max((one for one in samples if one.at_ns <= begin_ns), default=samples[0])
    same = {native: wait for native, wait in last.waits.items() if before.waits.get(native) == wait}
    return (before.at_ns, last.at_ns), same


def _spent() -> float:
    """Return the CPU time of dumps so far, that of this thread with them."""
    return stacks.spent_on_children() + thread_time()
