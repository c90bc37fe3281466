"""The publisher: the probe's one thread, which sends recorded rows to the attached readers.

While no reader is attached the thread sleeps in the kernel and wakes once a second for the pools:
to check what the probe costs them, which of them have closed, and which messages wait to be logged.
Each time it also writes the process's last state, see `_last_state`. A failure switches the
publisher off, logs one warning, and leaves the pools alone. Touches: the socket folder, sockets,
the clock, the pools.

While it works, and not while it sleeps, the thread holds the lock `working`. A fork takes that
lock, so that no child inherits anything in the middle of a change. The thread takes no signals:
they are the job's.
"""

from __future__ import annotations

import contextlib
import errno
import select
import socket
import threading
from _thread import start_new_thread
from time import monotonic

from ._costs import Costs
from ._descriptors import OwnSocket
from ._guard import own_threads
from ._last_state import LastState
from ._listener import Listener
from ._notes import log_pending_in_own_thread, warn
from ._own_thread import signals_blocked, wait_until_gone
from ._reader import Reader
from ._readers import SOON_SECONDS, Readers, Registry

FLUSH_SECONDS = 0.2
REST_SECONDS = 1.0
"""The longest that a fork waits until the thread rests; the thread nearly always rests."""
CHECK_SECONDS = 1.0
"""How often the pools are checked, whether a reader is attached or not."""
RETRY_SECONDS = 10.0
"""If no socket could be made, the next try comes after so long."""
LOST = (errno.EBADF, errno.ENOTDIR, errno.ENOTSOCK)
"""The errors of a descriptor that the job has closed, and perhaps opened again, since."""
MOST_LISTENERS = 3
"""A job that closes the probe's descriptors so often has a reason to."""


class Publisher:
    """Serves a process's pools on one socket until `stop`. Its thread tidies them once a second.

    Attributes: readers, has_children (a forked child may have left its socket behind).

    Raises OSError where not even the descriptors for waking the thread can be had.
    """

    def __init__(self, registry: Registry) -> None:
        self._registry = registry
        self._costs = Costs(registry.present_pools)
        self.readers = Readers(registry, self._costs)
        self._last_state = LastState(registry.present_pools)
        self._working = threading.Lock()
        self._listener: Listener | None = None
        self._listeners = 0
        self._listen_from = 0.0
        self._is_refused = False
        self._was_lost = False
        self._wake, self._woken = map(OwnSocket, socket.socketpair())
        for end in (self._wake, self._woken):
            end.socket.setblocking(False)
        self._stopping = self._pausing = self._is_stuck = False
        self._accept_from = 0.0
        self.has_children = False
        self._native_id = self._ident = 0
        self._ended = threading.Event()
        self._ended.set()

    @property
    def path(self) -> str:
        """Where the socket is, empty where there is none (yet)."""
        return self._listener.path if self._listener is not None else ""

    @property
    def is_running(self) -> bool:
        """Whether the publisher's thread runs."""
        return not self._ended.is_set()

    def start(self) -> None:
        """Start the thread, also after `pause`; do nothing where it runs or was stopped for good.

        Raises RuntimeError where no thread can be had.
        """
        if self.is_running or self._stopping:
            return
        self._pausing = False
        with signals_blocked():  # so that the thread takes none, not even before its first line
            self._ended.clear()
            try:
                # Not a `threading.Thread`: a job may count its threads, or join all there are.
                start_new_thread(self._run, ())
            except BaseException:
                self._ended.set()
                raise

    def pause(self) -> None:
        """End the thread for a fork; readers stay attached. Bounded in time."""
        if not self.is_running or self._is_own_thread():
            return
        self._pausing = True
        self._rouse()
        if self._is_stuck:
            return
        self._is_stuck = not self._ended.wait(REST_SECONDS)
        if not self._is_stuck:
            wait_until_gone(self._native_id, REST_SECONDS)

    def rest(self) -> bool:
        """Have the thread hold still for a fork; return whether `go_on` must be called after it."""
        if self._is_own_thread():
            return False
        rests = self._working.acquire(timeout=0 if self._is_stuck else REST_SECONDS)
        self._is_stuck = not rests
        return rests

    def go_on(self) -> None:
        """Let the thread work again."""
        self._working.release()

    def _is_own_thread(self) -> bool:
        return self.is_running and threading.get_ident() == self._ident

    def _rouse(self) -> None:
        with contextlib.suppress(OSError):
            if self._wake.is_ours:
                self._wake.socket.send(b"x")

    def stop(self) -> None:
        """Send readers what is left and a bye, and end the thread. Bounded in time."""
        paused = not self.is_running
        self._stopping = True
        if paused:
            self._close()
            return
        self._rouse()
        self._ended.wait(self.readers.rest_seconds + 1)

    def abandon(self) -> None:
        """Close every descriptor and send nothing: for a forked child, which has copies of them."""
        self._last_state.abandon()
        ends = [self._wake, self._woken, *self.readers.attached]
        self.readers.attached = []
        if self._listener is not None:
            ends.append(self._listener)
        for end in ends:
            end.close()

    def _run(self) -> None:
        self._ident, self._native_id = threading.get_ident(), threading.get_native_id()
        own_threads.add(self._ident)
        self._costs.thread_begins()
        try:
            with self._working:
                self._listen()
                self.readers.attach_recorder()
                self._serve()
        except Exception as error:
            self._stopping = True
            warn("nobody can attach to this process any more: %s", error)
        finally:
            with contextlib.suppress(Exception):
                if self._stopping:
                    self._close()
                else:
                    self._last_state.rest()
                log_pending_in_own_thread()
            self._costs.thread_ends()
            self._is_stuck = False
            own_threads.discard(self._ident)
            self._ended.set()

    def _listen(self) -> None:
        """Make the socket where there is none. The thread serves the pools without one too."""
        if self._listener is not None or monotonic() < self._listen_from:
            return
        if self._listeners >= MOST_LISTENERS:
            return
        try:
            self._listener = Listener()
            self._listeners += 1
        except Exception as error:
            if getattr(error, "errno", None) in LOST and not self._was_lost:
                self._was_lost = True  # the job has just closed all descriptors: try again
                return
            # The folder may be mended, descriptors may become free.
            self._listen_from = monotonic() + RETRY_SECONDS
            if not self._is_refused:
                warn("nobody can attach to this process: %s", error)
            self._is_refused = True

    def _serve(self) -> None:
        readers = self.readers
        due = check = latest = monotonic()
        while not self._stopping and not self._pausing:
            until = min(check, due if readers.attached else check)
            for source, events in self._wait(max(0.0, until - monotonic())):
                self._answer(source, events)
            if monotonic() >= check:
                self._check()
                check = monotonic() + CHECK_SECONDS
            if readers.attached and monotonic() >= due:
                if monotonic() < latest and not readers.much_waits():
                    due = min(latest, monotonic() + SOON_SECONDS)
                    continue
                began = monotonic()
                readers.flush()
                due = monotonic() + readers.rest_after_flush(monotonic() - began)
                latest = due + FLUSH_SECONDS - SOON_SECONDS

    def _wait(self, seconds: float) -> list[tuple[OwnSocket, int]]:
        """Sleep until something happens; return the events of each of our sockets."""
        # Not epoll: it has a descriptor of its own, which a job may close.
        poll = select.poll()
        sources: dict[int, OwnSocket] = {}
        for source in [self._woken, *self.readers.attached]:
            wants = isinstance(source, Reader) and source.backlog
            sources[source.number] = source
            poll.register(source.number, select.POLLIN | (select.POLLOUT if wants else 0))
        if self._listener is not None and monotonic() >= self._accept_from:
            sources[self._listener.number] = self._listener
            poll.register(self._listener.number, select.POLLIN)
        self._working.release()
        try:
            log_pending_in_own_thread()
            happened = poll.poll(seconds * 1000)
        finally:
            self._working.acquire()
        return [(sources[number], events) for number, events in happened]

    def _answer(self, source: OwnSocket, events: int) -> None:
        if not source.is_ours:
            self._let_go(source)
        elif source is self._listener:
            self._accept()
        elif source is self._woken:
            with contextlib.suppress(OSError):
                source.socket.recv(64)
        elif isinstance(source, Reader) and source in self.readers.attached:
            if events & ~select.POLLOUT and not source.receive():
                self.readers.drop(source)
            elif events & select.POLLOUT:
                self.readers.advance(source, start=False)

    def _let_go(self, source: OwnSocket) -> None:
        """Let go of a descriptor that the job has closed: it is not ours any more."""
        source.close()
        if isinstance(source, Reader):
            self.readers.drop(source)
        elif source is self._listener:
            self._listener = None
            source.remove()
        else:
            self._wake.close()
            self._wake, self._woken = map(OwnSocket, socket.socketpair())

    def _check(self) -> None:
        for source in (self._woken, self._listener, *self.readers.attached):
            if source is not None and not source.is_ours:
                self._let_go(source)
        self._listen()
        self.readers.attach_recorder()
        if self.has_children and self._listener is not None:
            self.has_children = False
            self._listener.sweep()
        self._registry.tidy(self.readers.want_rows)
        self._costs.govern(self.readers.rows_sent)
        self._last_state.write(self._listener.name if self._listener is not None else "")

    def _accept(self) -> None:
        try:
            reader = self.readers.admit(self._listener)
        except OSError:
            # No descriptor is free, and the caller still waits: no spinning.
            self._accept_from = monotonic() + FLUSH_SECONDS
            return
        if reader is not None:
            self.readers.advance(reader, start=False)

    def _close(self) -> None:
        deadline = monotonic() + self.readers.rest_seconds
        with contextlib.suppress(OSError):
            while self.readers.admit(self._listener) is not None:  # who came just before the end
                pass
        self.readers.send_rest(deadline - monotonic())
        if self._listener is not None:
            self._listener.remove()
        self._last_state.end()
        self.abandon()
