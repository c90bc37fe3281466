"""One attached process of a job: reads its socket, and samples the host's counters of it."""

from __future__ import annotations

import asyncio
import os
from time import monotonic
from typing import TYPE_CHECKING

from idlehands.wire import FolderRefused, NewerVersion, WireError

from .. import CheckedFrame, Piece, StreamFrames
from ..intake import made
from . import host, processes, thread_counters
from .asking import refusal
from .kernel_waits import KernelWaits
from .sockets import AnotherUser, reach

if TYPE_CHECKING:
    import socket
    from collections.abc import Iterable

    from ..intake import Intake
    from .asking import FoundProcess
    from .stack_sampler import StackSampler

DYING_SECONDS = 2.0
HOST_SAMPLE_SECONDS = 0.25
SLOWEST_HOST_SAMPLE_SECONDS = 0.5
"""A second of worker time is computed half a second after its end; a sample must lie between."""
MOST_THREADS_A_SECOND = 128
"""With more samples of threads a second than this, threads are sampled less often."""
PROCESS_SAMPLE_SECONDS = 1.0
SLOWEST_PROCESS_SAMPLE_SECONDS = 2.0
MOST_SWITCHES_A_SECOND = 32
"""Likewise for the threads' context switches, which take longer to read."""
READ_BYTES = 1 << 18
GREETING = ("hello", "names")
"""These frames arrive first; a reader that gets a ``bye`` right behind them was refused."""
MOST_GREETING_BYTES = 4 << 20
MOST_BESIDE = 16
"""Threads that are no workers whose counters are sampled."""
MOST_THREADS = 4096
"""Threads of one process whose counters are sampled."""


class Attachment:
    """Reads one process until it ends.

    is_live: whether it is being read, from its first frame behind the greeting on; losses are
    counted from then. last_data: when data last arrived. ended: how it ended, empty before.
    complaint: why it could not be read, or not to its end. refused: whether the probe had no room
    for another reader; it may have later.

    sampler: takes stacks of the job, None for none.
    """

    def __init__(
        self, process: FoundProcess, intake: Intake, sampler: StackSampler | None = None
    ) -> None:
        self.pid = process.pid
        self.is_live = False
        self.last_data = monotonic()
        self.ended = ""
        self.complaint = ""
        self.refused = False
        self._path, self._owner = process.path, process.owner
        self._intake = intake
        self._sampler = sampler
        self._threads: dict[int, set[tuple[int, int]]] = {}
        self._had_bye = False

    async def serve(self) -> None:
        """Attach and read to the end. Never raises, whatever the process does."""
        try:
            connection = reach(self._path, self._owner)
        except (OSError, FolderRefused, AnotherUser) as error:
            self.complaint = self.ended = f"process {self.pid} {_why(error)}"
            return
        await self.read(connection)

    async def read(self, connection: socket.socket) -> None:
        """Read the process on a connection to the end. Never raises, whatever the process does."""
        try:
            reader, writer = await asyncio.open_unix_connection(sock=connection, limit=READ_BYTES)
        except OSError as error:
            self.complaint = self.ended = f"process {self.pid} {_why(error)}"
            return
        sampling = asyncio.create_task(self._sample_host())
        try:
            await self._read(reader)
        except NewerVersion as error:
            self.complaint = f"process {self.pid}: {error}"
        except (WireError, OSError) as error:
            self.complaint = f"the stream of process {self.pid} ended early: {error}"
        finally:
            sampling.cancel()
            if self._sampler is not None:
                self._sampler.forget(self.pid)
            writer.close()
            self.ended = self.complaint or f"process {self.pid} closed the connection"
        if self.is_live:
            await self._note_end()
        self.is_live = False

    async def _note_end(self) -> None:
        """Note how the process ended; one that is being killed outlives its socket a little."""
        deadline = monotonic() + DYING_SECONDS
        alive = host.process_exists(self.pid)
        while alive and not self._had_bye and monotonic() < deadline:
            await asyncio.sleep(0.05)
            alive = host.process_exists(self.pid)
        if self._had_bye or not alive:
            how = "has ended" if self._had_bye else "was killed or crashed"
        else:
            how = "closed the connection but still runs"
        self.ended = f"process {self.pid} {how}"
        if not self._had_bye:
            self._intake.take(made({"frame": "bye", "reason": how}), self.pid)

    async def _read(self, reader: asyncio.StreamReader) -> None:
        frames = StreamFrames()
        greeting: list[Piece] = []
        while data := await reader.read(READ_BYTES):
            self.last_data = monotonic()
            pieces = frames.feed(data)
            if not self.is_live:
                greeting += pieces
                more = next(
                    (frame for frame, _ in greeting if frame["frame"] not in GREETING), None
                )
                if more is None and sum(len(raw) for _, raw in greeting) < MOST_GREETING_BYTES:
                    continue
                if more is not None and more["frame"] == "bye":
                    self.refused = True
                    self.complaint = f"process {self.pid} {refusal(more)}"
                    return
                pieces = greeting
            self._take(pieces)
            self.is_live = True

    def _take(self, pieces: list[Piece]) -> None:
        for frame, _ in pieces:
            kind = frame["frame"]
            if kind == "bye":
                self._had_bye = True
            elif kind == "names":
                self._note_threads(frame)
        if self._sampler is not None:
            self._sampler.note(self.pid, [frame for frame, _ in pieces], self._threads)
        self._intake.take(pieces, self.pid)

    def _note_threads(self, names: CheckedFrame) -> None:
        """Note the threads to sample; of very many, those of the pools that were named last."""
        self._threads.pop(names["pool"], None)
        self._threads[names["pool"]] = self._of_owner(
            (pid if pid >= 0 else self.pid, native_id)
            for _, native_id, _, _, pid in names["threads"]
        )
        while len(self._threads) > 1 and sum(map(len, self._threads.values())) > MOST_THREADS:
            del self._threads[next(iter(self._threads))]

    def _of_owner(self, threads: Iterable[tuple[int, int]]) -> set[tuple[int, int]]:
        """Return the threads that may be sampled: root samples only those of the probe's user."""
        threads = set(threads)
        if os.geteuid() != 0 or self._owner == 0:
            return threads
        own = {pid for pid in {pid for pid, _ in threads} if host.user(pid) == self._owner}
        return {(pid, native_id) for pid, native_id in threads if pid in own}

    def _beside(self, workers: set[tuple[int, int]]) -> set[tuple[int, int]]:
        """Return the process's threads that are no workers, the main thread and the oldest first:
        one of them feeds the workers."""
        known = {native_id for _, native_id in workers}
        others = [one for one in host.thread_ids(self.pid) if one not in known]
        return self._of_owner((self.pid, one) for one in others[:MOST_BESIDE])

    async def _sample_host(self) -> None:
        waits, processes_at, turn = KernelWaits(), monotonic(), 0
        while True:
            threads = {thread for pool in self._threads.values() for thread in pool}
            if threads:
                beside = self._beside(threads)
                waits.keep_only(pid for pid, _ in threads)
                frames = [thread_counters.sample(threads | beside, waits)]
                frames[0]["beside"] = sorted(native_id for _, native_id in beside)
                if monotonic() >= processes_at:
                    spacing = max(PROCESS_SAMPLE_SECONDS, len(threads) / MOST_SWITCHES_A_SECOND)
                    spacing = min(SLOWEST_PROCESS_SAMPLE_SECONDS, spacing)
                    processes_at = max(processes_at + spacing, monotonic())
                    pids = sorted({pid for pid, _ in threads | beside})
                    counted, switches = processes.sample(processes.in_turn(pids, turn))
                    turn += 1
                    workers = {native_id for _, native_id in threads} & switches.keys()
                    frames[0]["switches"] = {worker: switches[worker] for worker in workers}
                    frames += counted
                self._take([piece for frame in frames for piece in made(frame)])
            wanted = max(HOST_SAMPLE_SECONDS, len(threads) / MOST_THREADS_A_SECOND)
            await asyncio.sleep(min(SLOWEST_HOST_SAMPLE_SECONDS, wanted))


def _why(error: Exception) -> str:
    """Return why the monitor cannot attach to a process, worded to follow "process 4711"."""
    if isinstance(error, AnotherUser):
        return str(error)
    reason = error.strerror if isinstance(error, OSError) else str(error)
    return f"cannot be attached to: {reason}"
