"""The live source: one attached process, read on a thread of its own.

The thread runs an asyncio loop that drains the socket, samples the host counters and feeds an
open capture, so a slow terminal can hold up neither the probe nor a capture. Frames pass to the
caller through a queue, in order, by `drain`.

A pool's name as target outlives its process: when that ends, the source waits for another
process with a pool of the name. A process id ends with its process.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import threading
from time import monotonic

from idlehands.wire import Decoder, Frame, NewerVersion, WireError, address, encode, may_talk

from . import host, processes
from .discovery import FoundProcess, find_processes
from .intake import Intake
from .status import SourceStatus
from .waits import KernelWaits

RETRY_SECONDS = 0.3
STALLED_SECONDS = 2.0
DYING_SECONDS = 2.0
HOST_SAMPLE_SECONDS = 0.25
HOST_SAMPLES_PER_PROCESS_SAMPLE = 4
READ_BYTES = 1 << 18


class LiveSource:
    """Reads one process by its id or by the name of one of its pools."""

    def __init__(self, target: str) -> None:
        self.target = target
        self._intake = Intake()
        self._threads: dict[int, set[tuple[int, int]]] = {}
        self._pid = -1
        self._said_bye = False
        self._state = "connecting"
        self._note = f"looking for {target}"
        self._closing = threading.Event()
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._run()), name="idlehands-source", daemon=True
        )
        self._thread.start()

    @property
    def status(self) -> SourceStatus:
        """How the stream stands now."""
        state, note = self._state, self._note
        silent = monotonic() - self._intake.last_data
        if state == "live" and silent > STALLED_SECONDS:
            state, note = "stalled", f"process {self._pid} has said nothing for {silent:.0f} s"
        return SourceStatus(state, note, self._intake.warning)

    @property
    def pid(self) -> int:
        """The process attached to, or the last one; -1 before the first."""
        return self._pid

    def drain(self) -> list[Frame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""
        return self._intake.drain()

    def start_capture(self, path: str) -> None:
        """Begin writing the stream to `path`, the recent past first. Raises CaptureError."""
        self._intake.start_capture(path)

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open. Raises CaptureError."""
        return self._intake.stop_capture()

    def pause(self, paused: bool) -> None:
        """Do nothing: a live stream goes on."""

    def close(self) -> None:
        """End the stream; bounded in time. An open capture is closed whole."""
        self._closing.set()
        self._thread.join(2.0)
        self._intake.close()

    async def _run(self) -> None:
        met = False
        while not self._closing.is_set():
            process = self._find()
            if process is not None:
                met = True
                await self._attend(process)
                if self.target.isdigit():
                    return
            elif met:
                self._state = "ended"
            elif self.target.isdigit() and not host.process_exists(int(self.target)):
                self._state, self._note = "ended", f"there is no process {self.target}"
                return
            await asyncio.sleep(RETRY_SECONDS)

    def _find(self) -> FoundProcess | None:
        for process in find_processes():
            names = [pool.name for pool in process.pools if not pool.closed]
            if str(process.pid) == self.target or self.target in names:
                return process
        return None

    async def _attend(self, process: FoundProcess) -> None:
        try:
            with address(process.path) as short:
                reader, writer = await asyncio.open_unix_connection(short, limit=READ_BYTES)
        except OSError as error:
            self._note = f"cannot attach to process {process.pid}: {error.strerror}"
            return
        sampling: asyncio.Task[None] | None = None
        try:
            if not may_talk(writer.get_extra_info("socket")):
                self._intake.warning = f"process {process.pid} belongs to another user; left alone"
                return
            self._begin(process)
            sampling = asyncio.create_task(self._sample_host())
            await self._read(reader)
        except NewerVersion as error:
            self._intake.warning = f"process {process.pid}: {error}"
        except (WireError, OSError) as error:
            self._intake.warning = f"the stream of process {process.pid} broke off: {error}"
        finally:
            if sampling is not None:
                sampling.cancel()
            writer.close()
        await self._ended(process)

    def _begin(self, process: FoundProcess) -> None:
        self._pid = process.pid
        self._state, self._note = "live", ""
        self._intake.begin()
        self._threads.clear()
        self._said_bye = False

    async def _ended(self, process: FoundProcess) -> None:
        """Say how the stream ended; a process that is being killed outlives its socket a little."""
        self._state, self._note = "ended", f"process {process.pid} closed the connection"
        deadline = monotonic() + DYING_SECONDS
        alive = host.process_exists(process.pid)
        while alive and not self._said_bye and monotonic() < deadline:
            await asyncio.sleep(0.05)
            alive = host.process_exists(process.pid)
        if self._said_bye or not alive:
            how = "has ended" if self._said_bye else "was killed or crashed"
        else:
            how = "closed the connection and runs on"
        waiting = "" if self.target.isdigit() else f"; waiting for another pool {self.target}"
        self._note = f"process {process.pid} {how}{waiting}"

    async def _read(self, reader: asyncio.StreamReader) -> None:
        decoder = Decoder()
        while not self._closing.is_set():
            try:
                data = await asyncio.wait_for(reader.read(READ_BYTES), timeout=0.5)
            except TimeoutError:
                continue
            if not data:
                return
            self._intake.last_data = monotonic()
            self._take(decoder.feed_whole(data))

    def _take(self, pieces: list[tuple[Frame, bytes]]) -> None:
        for frame, _ in pieces:
            kind = frame["frame"]
            if kind == "bye":
                self._said_bye = True
            elif kind == "names":
                with contextlib.suppress(KeyError, IndexError, TypeError, ValueError):
                    self._threads[frame["pool"]] = {
                        (int(thread[4]) if len(thread) > 4 else self._pid, int(thread[1]))
                        for thread in frame["threads"]
                    }
        self._intake.take(pieces)

    async def _sample_host(self) -> None:
        waits = KernelWaits()
        for turn in itertools.count():
            threads = {thread for pool in self._threads.values() for thread in pool}
            if threads:
                frames = [{**host.sample(threads), "waits": waits.sample(threads)}]
                if turn % HOST_SAMPLES_PER_PROCESS_SAMPLE == 0:
                    pids = sorted({self._pid, *(pid for pid, _ in threads)})
                    chosen = processes.in_turn(pids, turn // HOST_SAMPLES_PER_PROCESS_SAMPLE)
                    said, switches = processes.sample(chosen)
                    workers = {native_id for _, native_id in threads} & switches.keys()
                    frames[0]["switches"] = {worker: switches[worker] for worker in workers}
                    frames += said
                self._take([(frame, encode(frame)) for frame in frames])
            await asyncio.sleep(HOST_SAMPLE_SECONDS)
