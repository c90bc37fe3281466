"""The live source: the attached processes of one job, read on a thread of their own.

The thread runs an asyncio loop that drains the sockets, samples the host counters and feeds an
open capture, so a slow terminal can hold up neither the probe nor a capture. Frames pass to the
caller through a queue, in order, by `drain`; which process they are of, a ``from`` frame says.

A job is a process with those it has started, or all processes with an open pool of a name. One
that joins later is attached too. A pool's name as target outlives its processes: when the last one
ends, the source waits for another with a pool of the name. A process id ends with its processes.
"""

from __future__ import annotations

import asyncio
import threading
from time import monotonic
from typing import TYPE_CHECKING

from . import host
from .attachment import Attachment
from .discovery import find_processes, of_job
from .intake import TakingSource
from .status import SourceStatus

if TYPE_CHECKING:
    pass

RETRY_SECONDS = 0.3
NEWCOMER_SECONDS = 1.5
"""How often it is looked whether another process has joined the job."""
STALLED_SECONDS = 2.0


class LiveSource(TakingSource):
    """Reads a job: a process id, with what that process has started, or the name of a pool."""

    def __init__(self, target: str) -> None:
        super().__init__(target)
        self._attached: dict[str, Attachment] = {}  # by the socket's path
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
        live = [one for one in self._attached.values() if one.is_live]
        state, note = "live" if live else self._state, self._note
        quietest = min(live, key=lambda one: one.last_data, default=None)
        if quietest is not None:
            silent = monotonic() - quietest.last_data
            if silent > STALLED_SECONDS:
                state = "stalled"
                note = f"process {quietest.pid} has said nothing for {silent:.0f} s"
        return SourceStatus(state, note, self._warning())

    def _warning(self) -> str:
        complaints = [one.complaint for one in self._attached.values() if one.complaint]
        return self._intake.warning or (complaints[-1] if complaints else "")

    @property
    def pid(self) -> int:
        """The process attached to first, or the last one; -1 before the first."""
        live = [one.pid for one in self._attached.values() if one.is_live]
        every = live or [one.pid for one in self._attached.values()][-1:]
        return every[0] if every else -1

    def close(self) -> None:
        """End the stream; bounded in time. An open capture is closed whole."""
        self._closing.set()
        for one in list(self._attached.values()):
            one.close()
        self._thread.join(2.0)
        self._intake.close()

    async def _run(self) -> None:
        tasks: dict[str, asyncio.Task[None]] = {}
        while not self._closing.is_set():
            going = [task for task in tasks.values() if not task.done()]
            await self._attach_newcomers(tasks, job_goes_on=bool(going))
            going = [task for task in tasks.values() if not task.done()]
            if not going and self._is_over(met=bool(tasks)):
                return
            # Woken at once by an end: what comes after it should not be long in coming.
            wait = NEWCOMER_SECONDS if going else RETRY_SECONDS
            await self._nap(going, wait)
        await asyncio.gather(*tasks.values(), return_exceptions=True)

    async def _nap(self, going: list[asyncio.Task[None]], seconds: float) -> None:
        until = monotonic() + seconds
        while not self._closing.is_set() and monotonic() < until:
            if going and all(task.done() for task in going):
                return
            await asyncio.sleep(0.05)

    async def _attach_newcomers(
        self, tasks: dict[str, asyncio.Task[None]], *, job_goes_on: bool
    ) -> None:
        known = {path for path, task in tasks.items() if not task.done()}
        found = await asyncio.to_thread(find_processes, known)
        for process in of_job(self.target, found):
            before = self._attached.get(process.path)
            if before is not None and before.pid == process.pid and before.complaint:
                continue  # it could not be read a moment ago
            if not job_goes_on:  # what is kept of another job is no past of this one
                self._intake.begin()
                self._attached.clear()
                tasks.clear()
                job_goes_on = True
            self._attached[process.path] = one = Attachment(process, self._intake)
            tasks[process.path] = asyncio.create_task(self._attend(one))

    async def _attend(self, one: Attachment) -> None:
        self._state, self._note = "connecting", ""
        await one.attend()
        left = [other.pid for other in self._attached.values() if other.is_live]
        self._note = one.ended
        if left:
            goes_on = "goes on" if len(left) == 1 else "go on"
            self._note += f"; {len(left)} of its job {goes_on}"
            return
        self._state = "ended"
        if not self.target.isdigit():
            self._note += f"; waiting for another pool {self.target}"

    def _is_over(self, *, met: bool) -> bool:
        """Say whether nothing can come any more."""
        if not self.target.isdigit():
            return False
        if met:
            return True
        if not host.process_exists(int(self.target)):
            self._state, self._note = "ended", f"there is no process {self.target}"
            return True
        return False
