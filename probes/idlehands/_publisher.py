"""The outlet: the probe's one thread, which hands recorded rows to whoever is attached.

It sleeps in the kernel while nobody is, and looks at the pools once a second: what the probe
costs them, which have closed, what is to be said. Sockets never block it: what a slow reader has
not taken stays in that reader's small backlog, no more is built for it meanwhile, and the rings,
going round, drop and count what it missed. A failure switches the outlet off, says so once,
and leaves the pools alone. Touches: the socket folder, sockets, the clock, the pools.

While it works, and not while it sleeps, the thread holds the lock `working`. A fork takes that
lock, so that no child inherits anything in the middle of a change. The thread takes no signals:
they are the job's.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import threading
import time
from _thread import start_new_thread
from collections.abc import Iterator
from time import monotonic, monotonic_ns, thread_time_ns
from typing import Protocol

from ._descriptors import OwnSocket
from ._folder import may_talk
from ._frames import Cursor
from ._governor import Governor, Price
from ._guard import own_threads
from ._listener import Listener
from ._notes import log_pending_in_own_thread, warn
from ._pool import PoolProbe
from ._reader import Reader, guarded
from ._wire import encode

FLUSH_SECONDS = 0.2
SOON_SECONDS, LEAST_FLUSH_SECONDS = 0.05, 0.02
"""A flush comes sooner where much waits for it, or came with the last one."""
ROWS_PER_FLUSH = 2048
SEND_REST_SECONDS = 1.0
"""The longest that a process waits at its end for a reader to take what is left."""
REST_SECONDS = 1.0
"""The longest that a fork waits for the thread to rest; it is at rest nearly always."""
COST_EVERY_FLUSHES = 10
CHECK_SECONDS = 1.0
"""How often the pools are looked at, whether anybody is attached or not."""
MOST_READERS = 8
MOST_CALLERS = 2 * MOST_READERS
"""Of these some only ask what there is. Each takes a descriptor of the job's."""
STUCK_SECONDS = 10.0
"""A reader that has taken nothing for so long gives way to one that comes."""
RETRY_SECONDS = 10.0
"""Where no socket could be had, another try is made after so long."""
WORTH_PACKING = 1000
"""A pool that has recorded so much has room made for rows as words, a megabyte a worker at most."""
REST_PER_WORK = 5
"""A flush with less than a row a pool is followed by so many times its own length of rest: with a
thousand idle pools it would take up half of the interpreter's time otherwise."""
MOST_LISTENERS = 3
"""A job that closes the probe's descriptors has done so for a reason if it does it so often."""


class Registry(Protocol):
    """The pools that an outlet serves."""

    dropped: int
    """How many pools were let go before a reader that was attached had read them."""

    def present_pools(self) -> list[PoolProbe]:
        """Return the pools there are, those that closed not long ago included."""

    def tidy(self, has_readers: bool, *, at_once: bool = True) -> None:
        """Keep no more of the closed pools than there is room for; with `at_once`, look for more
        that have closed."""


class Publisher:
    """Serves a process's pools on one socket until `stop`. Its thread tidies them once a second.

    Raises OSError where not even the descriptors for waking the thread can be had.
    """

    def __init__(self, registry: Registry) -> None:
        self._registry = registry
        self._pools = registry.present_pools
        self._working = threading.Lock()
        self._listener: Listener | None = None
        self._listeners = 0
        self._listen_from = 0.0
        self._is_refused = False
        self._wake, self._woken = map(OwnSocket, socket.socketpair())
        for end in (self._wake, self._woken):
            end.socket.setblocking(False)
        self._readers: list[Reader] = []
        self._stopping = self._pausing = self._is_stuck = False
        self._accept_from = 0.0
        self.has_children = False
        self._governors: dict[int, Governor] = {}
        self._past_recording_ns = 0.0
        self._spent = (0, 0)
        self._began_cpu_ns = self._earlier_cpu_ns = 0
        self._native_id = self._ident = 0
        self._ended = threading.Event()
        self._ended.set()

    @property
    def path(self) -> str:
        """Where the socket is, empty where there is none (yet)."""
        return self._listener.path if self._listener is not None else ""

    @property
    def is_running(self) -> bool:
        """Whether the outlet's thread runs."""
        return not self._ended.is_set()

    def start(self) -> None:
        """Start the thread, or go on after `pause`; nothing where it runs or has been stopped.

        Raises RuntimeError where no thread can be had.
        """
        if self.is_running or self._stopping:
            return
        self._pausing = False
        with _signals_blocked():  # so that the thread takes none, not even before its first line
            self._ended.clear()
            try:
                # Not a `threading.Thread`: a host may count its threads, or join all there are.
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
            _wait_until_gone(self._native_id)

    def rest(self) -> bool:
        """Have the thread hold still for a fork; say whether `go_on` is to be called after it."""
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
        """Hand readers what is left, say bye, and end the thread. Bounded in time."""
        paused = not self.is_running
        self._stopping = True
        if paused:
            self._close()
            return
        self._rouse()
        self._ended.wait(SEND_REST_SECONDS + 1)

    def abandon(self) -> None:
        """Close every descriptor without a word: what a forked child does with its copies."""
        ends = [self._wake, self._woken, *self._readers]
        self._readers = []
        if self._listener is not None:
            ends.append(self._listener)
        for end in ends:
            end.close()

    def _run(self) -> None:
        self._ident, self._native_id = threading.get_ident(), threading.get_native_id()
        own_threads.add(self._ident)
        self._began_cpu_ns = thread_time_ns()
        try:
            with self._working:
                self._listen()
                self._serve()
        except Exception as error:
            self._stopping = True
            warn("nobody can attach to this process any more: %s", error)
        finally:
            with contextlib.suppress(Exception):
                if self._stopping:
                    self._close()
                log_pending_in_own_thread()
            self._earlier_cpu_ns += thread_time_ns() - self._began_cpu_ns
            self._is_stuck = False
            own_threads.discard(self._ident)
            self._ended.set()

    def _listen(self) -> None:
        """Make the socket where there is none; a job that goes without is still looked after."""
        if self._listener is not None or monotonic() < self._listen_from:
            return
        if self._listeners >= MOST_LISTENERS:
            return
        try:
            self._listener = Listener()
            self._listeners += 1
        except Exception as error:
            # The folder may be mended, descriptors may become free.
            self._listen_from = monotonic() + RETRY_SECONDS
            if not self._is_refused:
                warn("nobody can attach to this process: %s", error)
            self._is_refused = True

    def _serve(self) -> None:
        due = check = monotonic()
        latest = due
        while not self._stopping and not self._pausing:
            until = min(check, due if self._readers else check)
            for source, events in self._wait(max(0.0, until - monotonic())):
                self._answer(source, events)
            if monotonic() >= check:
                self._check()
                check = monotonic() + CHECK_SECONDS
            if self._readers and monotonic() >= due:
                if monotonic() < latest and not self._much_waits():
                    due = min(latest, monotonic() + SOON_SECONDS)
                    continue
                began = monotonic()
                self._flush()
                due = monotonic() + self._rest_after_flush(monotonic() - began)
                latest = due + FLUSH_SECONDS - SOON_SECONDS

    def _wait(self, seconds: float) -> list[tuple[OwnSocket, int]]:
        """Sleep until something happens; return what happened to which of our sockets."""
        # Not epoll: what it watches is found by a descriptor of its own, which a job may close.
        poll = select.poll()
        sources: dict[int, OwnSocket] = {}
        for source in [self._woken, *self._readers]:
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
        elif isinstance(source, Reader) and source in self._readers:
            if events & ~select.POLLOUT and not source.receive():
                self._drop(source)
            elif events & select.POLLOUT:
                self._advance(source, start=False)

    def _let_go(self, source: OwnSocket) -> None:
        """The job has closed this descriptor: it is no more ours."""
        source.close()
        if isinstance(source, Reader):
            self._drop(source)
        elif source is self._listener:
            self._listener = None
            source.remove()
        else:
            self._wake.close()
            self._wake, self._woken = map(OwnSocket, socket.socketpair())

    def _check(self) -> None:
        for source in (self._woken, self._listener, *self._readers):
            if source is not None and not source.is_ours:
                self._let_go(source)
        self._listen()
        if self.has_children and self._listener is not None:
            self.has_children = False
            self._listener.sweep()
        self._registry.tidy(any(reader.wants_rows for reader in self._readers))
        self._govern()

    def _govern(self) -> None:
        """See what the probe costs each pool, and give up detail where it is too much."""
        sending, sent = self._sending_ns(), sum(reader.rows_sent for reader in self._readers)
        before, sent_before = self._spent
        self._spent = sending, sent
        per_row = (sending - before) / (sent - sent_before) if sent > sent_before else 0.0
        present = {pool.number: pool for pool in self._pools() if not pool.off}
        for number, pool in present.items():
            try:
                if number not in self._governors:
                    self._governors[number] = Governor(pool, Price(*pool.price()))
                self._governors[number].review(monotonic_ns(), per_row)
            except Exception as error:
                pool.failed(error)
        for number in self._governors.keys() - present.keys():  # or it would keep the pool's rings
            self._past_recording_ns += self._governors.pop(number).recording_ns

    def _recording_ns(self) -> float:
        present = sum(governor.recording_ns for governor in self._governors.values())
        return self._past_recording_ns + present

    def _sending_ns(self) -> int:
        return self._earlier_cpu_ns + thread_time_ns() - self._began_cpu_ns

    def _much_waits(self) -> bool:
        """Say whether a flush should not wait: of a pool that is new nothing has been sent yet."""
        numbers = {pool.number for pool in self._pools()}
        now = monotonic()
        return any(
            numbers - reader.cursors.keys()
            or reader.flushes == 0
            or any(cursor.has_waiting(ROWS_PER_FLUSH // 2) for cursor in reader.cursors.values())
            for reader in self._readers
            if reader.wants_rows is not False and now >= reader.rows_from
        )

    def _flush(self) -> None:
        for reader in self._readers[:]:
            if reader.wants_rows is None and monotonic() >= reader.rows_from:
                reader.wants_rows = True
                if sum(bool(other.wants_rows) for other in self._readers) > MOST_READERS:
                    self._make_way(reader)
            if reader.wants_rows and reader in self._readers:
                self._advance(reader, start=True)

        self._note_what_is_read()

    def _note_what_is_read(self) -> None:
        """Mark the closed pools that every reader has read to their end: they can be let go."""
        readers = [reader for reader in self._readers if reader.wants_rows]
        for pool in self._pools():
            if pool.closed_ns >= 0 and not pool.is_read:
                cursors = [reader.cursors.get(pool.number) for reader in readers]
                pool.is_read = all(cursor is not None and cursor.is_at_end for cursor in cursors)
        self._registry.tidy(bool(readers), at_once=False)

    def _make_way(self, new: Reader) -> None:
        """Let go of the reader that has been stuck for long, or else refuse the new one."""
        stuck = min(
            (reader for reader in self._readers if reader.wants_rows and reader is not new),
            key=lambda reader: reader.stuck_since,
        )
        if monotonic() - stuck.stuck_since >= STUCK_SECONDS:
            self._drop(stuck)
        else:
            self._readers.remove(new)
            new.refuse(f"{MOST_READERS} readers are attached already")

    def _rest_after_flush(self, seconds: float) -> float:
        """Return the seconds after which a flush may come again: fewer when much is recorded.

        So a flush stays small: rows are read while they are still in the processor's cache, and
        no ring goes round in between.
        """
        most = max((reader.rows_of_flush() for reader in self._readers), default=0)
        pools = self._pools()
        if most < len(pools) and all(pool.is_read or pool.closed_ns < 0 for pool in pools):
            return max(SOON_SECONDS, REST_PER_WORK * seconds)
        return max(LEAST_FLUSH_SECONDS, SOON_SECONDS / max(1.0, most / ROWS_PER_FLUSH))

    def _accept(self) -> None:
        try:
            reader = self._admit()
        except OSError:
            # No descriptor is free, and the caller still waits: no spinning.
            self._accept_from = monotonic() + FLUSH_SECONDS
            return
        if reader is not None:
            self._advance(reader, start=False)

    def _admit(self) -> Reader | None:
        """Take in the next one that waits to attach. Raises OSError where no descriptor is free."""
        if self._listener is None or not self._listener.is_ours:
            return None
        try:
            connection, _ = self._listener.socket.accept()
        except BlockingIOError:
            return None
        if not may_talk(connection):
            connection.close()
            return None
        connection.setblocking(False)
        reader = Reader(connection, self._pools())
        if len(self._readers) >= MOST_CALLERS:
            reader.refuse(f"{MOST_CALLERS} callers are connected already")
            return None
        self._readers.append(reader)
        return reader

    def _advance(self, reader: Reader, *, start: bool) -> None:
        while True:
            reader.fill(self._build, start)
            start = False
            had = len(reader.backlog)
            if not reader.send():
                self._drop(reader)
                return
            if reader.backlog or not had:
                return

    def _drop(self, reader: Reader) -> None:
        reader.close()
        if reader in self._readers:
            self._readers.remove(reader)
        if not any(other.wants_rows for other in self._readers):
            for pool in self._pools():
                pool.set_packed(False)

    def _build(self, reader: Reader) -> Iterator[bytes]:
        pools = self._pools()
        for pool in pools:
            if not pool.is_packed and pool.closed_ns < 0 and pool.work_recorded() >= WORTH_PACKING:
                pool.set_packed(True)
        known = reader.cursors
        reader.cursors = {
            pool.number: known.pop(pool.number) if pool.number in known else Cursor(pool)
            for pool in pools
        }
        for cursor in known.values():
            if cursor.pool.unwanted:
                yield encode({"frame": "withdrawn", "pool": cursor.pool.number})
        # A pool that is no longer kept is read once more, to its end, and then let go.
        gone = [cursor for cursor in known.values() if not cursor.pool.unwanted]
        cursors = [*gone, *reader.cursors.values()]
        # All names before the first row: a reader that only wants to know what there is stops here.
        for cursor in cursors:
            yield from guarded(cursor, cursor.names)
        for cursor in cursors:
            yield from guarded(cursor, cursor.frames)
        if reader.flushes % COST_EVERY_FLUSHES == 0:
            yield encode(
                {
                    "frame": "cost",
                    "at_ns": monotonic_ns(),
                    "recording_ns": int(self._recording_ns()),
                    "sending_ns": self._sending_ns(),
                    "pools_dropped": self._registry.dropped,
                }
            )
        reader.flushes += 1

    def _close(self) -> None:
        deadline = monotonic() + SEND_REST_SECONDS
        with contextlib.suppress(OSError):
            while self._admit() is not None:  # who came just before the end is told it all too
                pass
        readers = [reader for reader in self._readers if reader.wants_rows is not False]
        if readers:
            with contextlib.suppress(Exception):  # a pool that fails here is read as it is
                for pool in self._pools():  # a worker that left since the last look is told of too
                    pool.refresh(at_once=True)
        bye = encode({"frame": "bye", "reason": "the process ends"})
        for position, reader in enumerate(readers):
            # An equal share each of what is left: a reader that has stopped uses up only its own.
            now = monotonic()
            share = (deadline - now) / (len(readers) - position)
            reader.send_rest(_then(self._build(reader), bye), now + share)
        if self._listener is not None:
            self._listener.remove()
        self.abandon()


def _then(frames: Iterator[bytes], last: bytes) -> Iterator[bytes]:
    yield from frames
    yield last


@contextlib.contextmanager
def _signals_blocked() -> Iterator[None]:
    """Have the calling thread, and those it starts, take no signals inside the block."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _wait_until_gone(native_id: int) -> None:
    """Wait until the kernel has seen a thread end: its last words come a little before that."""
    deadline = monotonic() + REST_SECONDS
    while os.path.exists(f"/proc/self/task/{native_id}") and monotonic() < deadline:
        time.sleep(0)
