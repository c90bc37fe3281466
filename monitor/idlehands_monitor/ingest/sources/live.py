"""The live source: the attached processes of one job, read on a thread of their own.

The thread runs an asyncio loop that reads the sockets, samples the host's counters and feeds an
open capture. So a slow terminal delays neither the probe nor a capture. The caller gets the frames
in order through a queue, by `drain`; a ``from`` frame says which process the next frames are from.

A job is a process with those it has started, or all processes with an open pool of a name. The
source also attaches to processes that join later; other processes are asked seldom or never
(`discovery`). If the target is a pool's name, the source waits for another pool of that name after
the last process has ended. If it is a process id, the source ends with its processes.
"""

from __future__ import annotations

import asyncio
from time import monotonic

from ...model.vocabulary import StreamState
from ..intake import TakingSource
from . import host
from .attachment import Attachment
from .discovery import AGAIN_SECONDS, Finder, Job, process_id
from .stack_sampler import StackSampler
from .status import SourceStatus

RETRY_SECONDS = 0.3
JOINED_SECONDS = 1.5
"""How often the source searches for processes that have joined the job."""
STALLED_SECONDS = 2.0


class LiveSource(TakingSource):
    """Reads a job: a process id, with what that process has started, or the name of a pool.

    takes_stacks: whether stacks are taken while workers wait in tasks, see `stack_sampler`.
    """

    def __init__(self, target: str, *, takes_stacks: bool = True) -> None:
        super().__init__(target)
        self._sampler = StackSampler(self._intake.take) if takes_stacks else None
        self._attached: dict[str, Attachment] = {}  # by the socket's path
        self._pid = process_id(target)
        self._finder = Finder()
        self._silent = ""
        self._state: StreamState = StreamState.CONNECTING
        self._note = f"looking for {target}"
        self._start()

    @property
    def status(self) -> SourceStatus:
        """The present state of the stream."""
        live = [one for one in self._attached.values() if one.is_live]
        state, note = StreamState.LIVE if live else self._state, self._note
        quietest = min(live, key=lambda one: one.last_data, default=None)
        if quietest is not None:
            silent = monotonic() - quietest.last_data
            if silent > STALLED_SECONDS:
                state = StreamState.STALLED
                note = f"process {quietest.pid} has sent nothing for {silent:.0f} s"
        return SourceStatus(state, note, self._warning())

    def _warning(self) -> str:
        complaints = [one.complaint for one in self._attached.values() if one.complaint]
        return self._intake.warning or (complaints[-1] if complaints else self._silent)

    @property
    def pid(self) -> int:
        """The first live process; without one, the last that was attached; -1 before any."""
        live = [one.pid for one in self._attached.values() if one.is_live]
        every = live or [one.pid for one in self._attached.values()][-1:]
        return every[0] if every else -1

    async def _run(self) -> None:
        sampling = asyncio.create_task(self._sampler.run()) if self._sampler is not None else None
        try:
            await self._read_all()
        finally:
            if sampling is not None:
                sampling.cancel()

    async def _read_all(self) -> None:
        tasks: dict[str, asyncio.Task[None]] = {}
        while True:
            running = [task for task in tasks.values() if not task.done()]
            await self._attach_joined(tasks, job_goes_on=bool(running))
            running = [task for task in tasks.values() if not task.done()]
            if running:  # returns at once when all have ended, to search for the next soon
                await asyncio.wait(running, timeout=JOINED_SECONDS)
            elif self._is_over(had_processes=bool(tasks)):
                return
            else:
                await asyncio.sleep(RETRY_SECONDS)

    async def _attach_joined(
        self, tasks: dict[str, asyncio.Task[None]], *, job_goes_on: bool
    ) -> None:
        busy = {path for path, task in tasks.items() if not task.done()}
        job = Job(self.target)
        found = job.of(await asyncio.to_thread(self._finder.find, job, busy))
        silent = [f"process {process.pid} {process.note}" for process in found if process.note]
        self._silent = silent[0] if silent else ""
        for process in found:
            before = self._attached.get(process.path)
            if before is not None and before.pid == process.pid and _is_hopeless(before):
                continue
            if process.note:
                continue
            if not job_goes_on:  # the history of another job is not part of this one
                self._intake.begin()
                self._attached.clear()
                tasks.clear()
                job_goes_on = True
            self._finder.forget(process.path)  # its answer holds only as long as it is attached
            self._attached[process.path] = one = Attachment(process, self._intake, self._sampler)
            tasks[process.path] = asyncio.create_task(self._serve(one))

    async def _serve(self, one: Attachment) -> None:
        self._state, self._note = StreamState.CONNECTING, ""
        await one.serve()
        left = [other.pid for other in self._attached.values() if other.is_live]
        self._note = one.ended
        if left:
            still = "process of its job still runs" if len(left) == 1 else "processes still run"
            self._note += f"; {len(left)} {still}"
            return
        self._state = StreamState.ENDED
        if self._pid is None and not one.refused:
            self._note += f"; waiting for another pool {self.target}"

    def _is_over(self, *, had_processes: bool) -> bool:
        """Return whether no more frames can arrive."""
        if self._pid is None:
            return False
        if had_processes:
            return True
        if not host.process_exists(self._pid):
            self._state, self._note = StreamState.ENDED, f"there is no process {self._pid}"
            return True
        return False


def _is_hopeless(one: Attachment) -> bool:
    """Return whether attaching again to a process that could not be read would fail, too."""
    may_have_room = one.refused and monotonic() - one.last_data > AGAIN_SECONDS
    return bool(one.complaint) and not may_have_room
