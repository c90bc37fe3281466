"""The source of a recorder: the processes of one job call its socket as soon as they record.

`idlehands run --capture` starts the recorder before the job. So no process has to be found, and
none is missed that lives only for milliseconds. The socket is in this user's folder; the job learns
of it from its environment. A call on which nothing is sent asks when the capture is complete: the
job's first process makes it at its end, and waits a bounded time for it to be closed.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from typing import TYPE_CHECKING

from idlehands.wire import Folder, may_talk, peer_pid

from ...model.vocabulary import StreamState
from ..intake import TakingSource
from . import host
from .asking import FoundProcess
from .attachment import Attachment
from .sockets import is_deserted
from .stack_sampler import StackSampler
from .status import SourceStatus

if TYPE_CHECKING:
    from collections.abc import Iterator

CALLERS_WAITING = 256
LAST_SECONDS = 0.5
"""So long the streams of processes that end with the first one have to come to their end."""
ALIVE_SECONDS = 0.25
"""Where the kernel does not report the end of a process, it is looked for this often."""


class CalledSource(TakingSource):
    """Takes in what the processes of a job send to a socket, until the job is over.

    path: of the socket, which is made. pid: the job's first process. The job is over when that has
    ended, or is about to, and no process is being read. takes_stacks: whether stacks are taken
    while workers wait in tasks, see `stack_sampler`.

    first_has_ended: whether the job's first process has ended. Raises FolderRefused and OSError
    where the socket cannot be made.
    """

    def __init__(self, path: str, pid: int, *, takes_stacks: bool = True) -> None:
        super().__init__(str(pid))
        self._sampler = StackSampler(self._intake.take) if takes_stacks else None
        self.first_has_ended = False
        self._path, self._pid = path, pid
        self._listener = _listener(path)
        self._streams: dict[asyncio.Task[None], Attachment] = {}
        self._questions: list[socket.socket] = []
        self._state = StreamState.CONNECTING
        self._warning = ""
        self._start()

    @property
    def status(self) -> SourceStatus:
        """The present state of the stream."""
        return SourceStatus(self._state, "", self._intake.warning or self._warning)

    def wait(self, seconds: float) -> bool:
        """Wait until the job is over, at most so long; return whether it is."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def close(self) -> None:
        """End the stream, close an open capture, and let the job's first process go."""
        super().close()
        self._listener.close()
        for question in self._questions:
            question.close()
        with contextlib.suppress(OSError):
            os.unlink(self._path)

    async def _run(self) -> None:
        self._changed = asyncio.Event()
        with contextlib.ExitStack() as stack:
            stack.enter_context(self._watched_first())
            accepting = asyncio.create_task(self._accept())
            stack.callback(accepting.cancel)
            if self._sampler is not None:
                sampling = asyncio.create_task(self._sampler.run())
                stack.callback(sampling.cancel)
            while not await self._is_over():
                await self._changed.wait()
                self._changed.clear()
            self._state = StreamState.ENDED

    async def _is_over(self) -> bool:
        if not self.first_has_ended and not self._questions:
            return False
        if self._streams:
            await asyncio.wait(self._streams, timeout=LAST_SECONDS)
        if not self._streams:
            return True
        while self._questions:  # other processes go on: the first one need not wait for them
            self._questions.pop().close()
        return False

    @contextlib.contextmanager
    def _watched_first(self) -> Iterator[None]:
        """Note the end of the job's first process inside the context."""
        loop = asyncio.get_running_loop()
        try:
            descriptor = os.pidfd_open(self._pid)
        except (AttributeError, OSError):
            watching = asyncio.create_task(self._look_for_first())
            yield
            watching.cancel()
            return
        loop.add_reader(descriptor, self._note_end_of_first, descriptor)
        try:
            yield
        finally:
            loop.remove_reader(descriptor)
            os.close(descriptor)

    async def _look_for_first(self) -> None:
        while host.process_exists(self._pid):
            await asyncio.sleep(ALIVE_SECONDS)
        self._note_end_of_first(None)

    def _note_end_of_first(self, descriptor: int | None) -> None:
        if descriptor is not None:
            asyncio.get_running_loop().remove_reader(descriptor)
        self.first_has_ended = True
        self._changed.set()

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            connection, _ = await loop.sock_accept(self._listener)
            if not may_talk(connection):
                connection.close()
                continue
            connection.setblocking(False)
            task = asyncio.create_task(self._serve(connection))
            task.add_done_callback(lambda _: self._changed.set())
            self._state = StreamState.LIVE

    async def _serve(self, connection: socket.socket) -> None:
        """Read what a process sends, or keep its question until it is answered."""
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - this is one
        pid = peer_pid(connection)
        process = FoundProcess(pid, self._path, owner=os.geteuid())
        attachment = Attachment(process, self._intake, self._sampler)
        self._streams[task] = attachment
        try:
            if await _sends(connection):
                await attachment.read(connection)
                self._warning = attachment.complaint or self._warning
            else:
                self._questions.append(connection)
        finally:
            del self._streams[task]


async def _sends(connection: socket.socket) -> bool:
    """Wait until something has come; return whether anything has before the end."""
    loop = asyncio.get_running_loop()
    ready = loop.create_future()

    def note() -> None:
        if not ready.done():
            ready.set_result(None)

    loop.add_reader(connection, note)
    try:
        await ready
    finally:
        loop.remove_reader(connection)
    with contextlib.suppress(OSError):
        return bool(connection.recv(1, socket.MSG_PEEK))
    return False


def _listener(path: str) -> socket.socket:
    """Return a listening socket at `path`; what ended recorders have left there is removed.

    Raises FolderRefused and OSError.
    """
    name = os.path.basename(path)
    suffix = os.path.splitext(name)[1]
    with Folder(os.path.dirname(path)) as folder:
        for left in folder.sockets(suffix):
            if is_deserted(folder, left):
                folder.remove(left, folder.identity(left))
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listener.setblocking(False)
            os.fchmod(listener.fileno(), 0o600)  # as the file that `bind` makes will be
            listener.bind(folder.address(name))
            listener.listen(CALLERS_WAITING)
        except BaseException:
            listener.close()
            raise
    return listener
