"""One attached process of a job: its socket is drained, its host counters are sampled."""

from __future__ import annotations

import asyncio
import contextlib
from time import monotonic
from typing import TYPE_CHECKING

from idlehands.wire import Decoder, Frame, NewerVersion, WireError, address, encode, may_talk

from . import host, processes
from .waits import KernelWaits

if TYPE_CHECKING:
    from .discovery import FoundProcess
    from .intake import Intake

DYING_SECONDS = 2.0
HOST_SAMPLE_SECONDS = 0.25
SLOWEST_HOST_SAMPLE_SECONDS = 0.5
"""A second of worker time is settled half a second after its end; a sample must lie between."""
MOST_THREADS_A_SECOND = 128
"""Past this many samples of threads a second they come more seldom, as far as they may."""
PROCESS_SAMPLE_SECONDS = 1.0
SLOWEST_PROCESS_SAMPLE_SECONDS = 2.0
MOST_SWITCHES_A_SECOND = 32
"""As many threads' switches, which are dearer to read, before they come more seldom."""
READ_BYTES = 1 << 18


class Attachment:
    """Reads one process until it ends.

    is_live: whether it is being read, from when the first came on: what is lost is counted from
    there. last_data: when something last came. ended: how it ended, empty before it has.
    complaint: why it could not be read, or not to its end.
    """

    def __init__(self, process: FoundProcess, intake: Intake) -> None:
        self.pid = process.pid
        self.is_live = False
        self.last_data = monotonic()
        self.ended = ""
        self.complaint = ""
        self._path = process.path
        self._intake = intake
        self._threads: dict[int, set[tuple[int, int]]] = {}
        self._said_bye = False

    async def attend(self) -> None:
        """Attach and read to the end. Never raises for what the process does."""
        try:
            with address(self._path) as short:
                reader, writer = await asyncio.open_unix_connection(short, limit=READ_BYTES)
        except OSError as error:
            self.complaint = f"cannot attach to process {self.pid}: {error.strerror}"
            self.ended = self.complaint
            return
        sampling: asyncio.Task[None] | None = None
        try:
            if not may_talk(writer.get_extra_info("socket")):
                self.complaint = f"process {self.pid} belongs to another user; left alone"
                return
            sampling = asyncio.create_task(self._sample_host())
            await self._read(reader)
        except NewerVersion as error:
            self.complaint = f"process {self.pid}: {error}"
        except (WireError, OSError) as error:
            self.complaint = f"the stream of process {self.pid} broke off: {error}"
        finally:
            if sampling is not None:
                sampling.cancel()
            writer.close()
            self.ended = f"process {self.pid} closed the connection"
        if self.is_live:
            await self._say_how_it_ended()
        self.is_live = False

    async def _say_how_it_ended(self) -> None:
        """A process that is being killed outlives its socket a little."""
        deadline = monotonic() + DYING_SECONDS
        alive = host.process_exists(self.pid)
        while alive and not self._said_bye and monotonic() < deadline:
            await asyncio.sleep(0.05)
            alive = host.process_exists(self.pid)
        if self._said_bye or not alive:
            how = "has ended" if self._said_bye else "was killed or crashed"
        else:
            how = "closed the connection and runs on"
        self.ended = f"process {self.pid} {how}"
        if not self._said_bye:
            bye = {"frame": "bye", "reason": how}
            self._intake.take([(bye, encode(bye))], self.pid)

    async def _read(self, reader: asyncio.StreamReader) -> None:
        decoder = Decoder()
        while data := await reader.read(READ_BYTES):
            self.last_data = monotonic()
            self._take(decoder.feed_whole(data))
            self.is_live = True

    def _take(self, pieces: list[tuple[Frame, bytes]]) -> None:
        for frame, _ in pieces:
            kind = frame["frame"]
            if kind == "bye":
                self._said_bye = True
            elif kind == "names":
                with contextlib.suppress(KeyError, IndexError, TypeError, ValueError):
                    self._threads[frame["pool"]] = {
                        (int(thread[4]) if len(thread) > 4 else self.pid, int(thread[1]))
                        for thread in frame["threads"]
                    }
        self._intake.take(pieces, self.pid)

    async def _sample_host(self) -> None:
        waits, processes_at, turn = KernelWaits(), monotonic(), 0
        while True:
            threads = {thread for pool in self._threads.values() for thread in pool}
            if threads:
                frames = [{**host.sample(threads), "waits": waits.sample(threads)}]
                if monotonic() >= processes_at:
                    gap = max(PROCESS_SAMPLE_SECONDS, len(threads) / MOST_SWITCHES_A_SECOND)
                    gap = min(SLOWEST_PROCESS_SAMPLE_SECONDS, gap)
                    processes_at = max(processes_at + gap, monotonic())
                    pids = sorted({self.pid, *(pid for pid, _ in threads)})
                    said, switches = processes.sample(processes.in_turn(pids, turn))
                    turn += 1
                    workers = {native_id for _, native_id in threads} & switches.keys()
                    frames[0]["switches"] = {worker: switches[worker] for worker in workers}
                    frames += said
                self._take([(frame, encode(frame)) for frame in frames])
            wanted = max(HOST_SAMPLE_SECONDS, len(threads) / MOST_THREADS_A_SECOND)
            await asyncio.sleep(min(SLOWEST_HOST_SAMPLE_SECONDS, wanted))
