"""The outlet: one daemon thread that hands recorded rows to whoever is attached.

It sleeps in the kernel while nobody is. Sockets never block it: what a slow reader has not
taken stays in that reader's small backlog, no more is built for it meanwhile, and the rings,
going round, drop and count what it missed. A failure switches the outlet off, says so once,
and leaves the pools alone. Touches: the socket folder, sockets, the clock.
"""

from __future__ import annotations

import contextlib
import itertools
import logging
import os
import selectors
import socket
import sys
import threading
import time
from _thread import start_new_thread
from collections.abc import Iterator
from time import monotonic, monotonic_ns, thread_time_ns
from typing import Any, Callable

from ._folder import SUFFIX, address, make_folder, may_talk
from ._frames import Cursor
from ._governor import Governor, Price
from ._pool import PoolProbe
from ._wire import VERSION, encode

logger = logging.getLogger("idlehands")

FLUSH_SECONDS = 0.2
SOON_SECONDS, LEAST_FLUSH_SECONDS = 0.05, 0.02
"""A flush comes sooner where much waits for it, or came with the last one."""
ROWS_PER_FLUSH = 2048
BACKLOG_BYTES = 1 << 18
"""No more is built for a reader while this much waits for it."""
LAST_WORDS_SECONDS = 1.0
"""The longest that a process waits at its end for a reader to take what is left."""
COST_EVERY_FLUSHES = 10
LOOK_SECONDS = 1.0
"""How often what the probe costs is looked at, whether anybody is attached or not."""
NO_SIGNAL: int = getattr(socket, "MSG_NOSIGNAL", 0)
"""A host may have restored SIGPIPE, and must not die of a reader that goes."""


class _Reader:
    """One attached reader: its socket, its backlog, and how far it has read each pool."""

    def __init__(self, connection: socket.socket, hello: bytes) -> None:
        self.connection = connection
        self.backlog = bytearray(hello)
        self.cursors: dict[int, Cursor] = {}
        self.frames: Iterator[bytes] = iter(())
        self.flushes = 0
        self._rows_seen = 0

    def fill(self, build: Callable[[_Reader], Iterator[bytes]], start: bool) -> None:
        """Build frames up to the backlog's limit; with `start`, begin a new flush if idle."""
        while len(self.backlog) < BACKLOG_BYTES:
            frame = next(self.frames, None)
            if frame is not None:
                self.backlog += frame
            elif start:
                self.frames, start = build(self), False
            else:
                return

    @property
    def rows_sent(self) -> int:
        """How many rows it has been sent of the pools that there are."""
        return sum(cursor.rows_sent for cursor in self.cursors.values())

    def rows_of_flush(self) -> int:
        """Return how many rows were sent since the last call."""
        total = self.rows_sent
        rows, self._rows_seen = max(0, total - self._rows_seen), total
        return rows

    def send(self) -> bool:
        """Send what the socket takes now. Return False when the reader has gone."""
        try:
            while self.backlog:
                del self.backlog[: self.connection.send(self.backlog, NO_SIGNAL)]
        except BlockingIOError:
            return True
        except OSError:
            return False
        return True


class Outlet:
    """Serves the process's pools on one socket until `stop`.

    `pools` is asked for the present pools at every flush. Raises OSError or FolderRefused
    from the constructor when the socket cannot be made.
    """

    def __init__(self, pools: Callable[[], list[PoolProbe]]) -> None:
        self._pools = pools
        self.path = ""
        self._listener = self._listen()
        self._wake, self._woken = socket.socketpair()
        self._readers: list[_Reader] = []
        self._stopping = self._pausing = False
        self._governors: dict[int, Governor] = {}
        self._past_recording_ns = 0.0
        self._spent = (0, 0)
        self._began_cpu_ns = self._earlier_cpu_ns = 0
        self._native_id = 0
        self._ended = threading.Event()
        self._ended.set()

    @property
    def is_running(self) -> bool:
        """Whether the outlet's thread runs."""
        return not self._ended.is_set()

    def start(self) -> None:
        """Start the thread, or go on after `pause`; nothing where it runs or has been stopped."""
        if self.is_running or self._stopping:
            return
        self._pausing = False
        self._ended.clear()
        # Not a `threading.Thread`: a host may count its threads, or join all there are.
        start_new_thread(self._run, ())

    def pause(self) -> None:
        """End the thread for a fork; readers stay attached. Bounded in time."""
        if not self.is_running:
            return
        self._pausing = True
        self._rouse()
        if self._ended.wait(LAST_WORDS_SECONDS):
            _wait_until_gone(self._native_id)

    def _rouse(self) -> None:
        with contextlib.suppress(OSError):
            self._wake.send(b"x")

    def _listen(self) -> socket.socket:
        folder = make_folder()
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            for attempt in range(100):
                tail = f"-{attempt}" if attempt else ""
                path = os.path.join(folder, f"{os.getpid()}{tail}{SUFFIX}")
                if _bind(listener, path):
                    break
            else:
                raise OSError(f"no free socket name for process {os.getpid()} in {folder}")
            os.chmod(path, 0o600)
            listener.listen(8)
            listener.setblocking(False)
        except BaseException:
            listener.close()
            raise
        self.path = path
        return listener

    def stop(self) -> None:
        """Hand readers what is left, say bye, and end the thread. Bounded in time."""
        paused = not self.is_running
        self._stopping = True
        if paused:
            self._close()
            return
        self._rouse()
        self._ended.wait(LAST_WORDS_SECONDS + 1)

    def abandon(self) -> None:
        """Close every descriptor without a word: what a forked child does with its copies."""
        for reader in self._readers:
            reader.connection.close()
        for end in (self._listener, self._wake, self._woken):
            end.close()

    def _run(self) -> None:
        self._native_id = threading.get_native_id()
        self._began_cpu_ns = thread_time_ns()
        try:
            with selectors.DefaultSelector() as selector:
                selector.register(self._listener, selectors.EVENT_READ)
                selector.register(self._woken, selectors.EVENT_READ)
                for reader in self._readers:
                    events = selectors.EVENT_READ
                    events |= selectors.EVENT_WRITE if reader.backlog else 0
                    selector.register(reader.connection, events, reader)
                self._serve(selector)
        except Exception as error:
            self._stopping = True
            logger.warning("outlet switched off: %r", error)
        finally:
            if self._stopping:
                self._close()
            self._earlier_cpu_ns += thread_time_ns() - self._began_cpu_ns
            self._ended.set()

    def _serve(self, selector: selectors.BaseSelector) -> None:
        due = look = monotonic()
        latest = due
        while not self._stopping and not self._pausing:
            timeout = max(0.0, min(look, due if self._readers else look) - monotonic())
            for key, events in selector.select(timeout):
                if key.fileobj is self._listener:
                    self._accept(selector)
                elif key.fileobj is self._woken:
                    self._woken.recv(64)
                elif isinstance(key.data, _Reader):
                    self._attend(selector, key.data, events)
            if monotonic() >= look:
                self._govern()
                look = monotonic() + LOOK_SECONDS
            if self._readers and monotonic() >= due:
                if monotonic() < latest and not self._much_waits():
                    due = min(latest, monotonic() + SOON_SECONDS)
                    continue
                for reader in self._readers[:]:
                    self._advance(selector, reader, start=True)
                due = monotonic() + self._pause()
                latest = due + FLUSH_SECONDS - SOON_SECONDS

    def _govern(self) -> None:
        """See what the probe costs each pool, and give up detail where it is too much."""
        sending, sent = self._sending_ns(), sum(reader.rows_sent for reader in self._readers)
        before, sent_before = self._spent
        self._spent = sending, sent
        per_row = (sending - before) / (sent - sent_before) if sent > sent_before else 0.0
        present = {pool.number: pool for pool in self._pools() if not pool.off}
        for number, pool in present.items():
            if number not in self._governors:
                self._governors[number] = Governor(pool, Price(*pool.price()))
            self._governors[number].look(monotonic_ns(), per_row)
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
        return any(
            numbers - reader.cursors.keys()
            or any(cursor.has_waiting(ROWS_PER_FLUSH // 2) for cursor in reader.cursors.values())
            for reader in self._readers
        )

    def _pause(self) -> float:
        """Return the seconds after which a flush may come again: fewer when much is recorded.

        So a flush stays small: rows are read while they are still in the processor's cache, and
        no ring goes round in between.
        """
        most = max((reader.rows_of_flush() for reader in self._readers), default=0)
        return max(LEAST_FLUSH_SECONDS, SOON_SECONDS / max(1.0, most / ROWS_PER_FLUSH))

    def _accept(self, selector: selectors.BaseSelector) -> None:
        try:
            reader = self._admit()
        except OSError:
            time.sleep(FLUSH_SECONDS)  # no descriptor free, and the caller still waits: no spinning
            return
        if reader is not None:
            selector.register(reader.connection, selectors.EVENT_READ, reader)
            self._advance(selector, reader, start=True)

    def _admit(self) -> _Reader | None:
        """Take in the next one that waits to attach. Raises OSError where no descriptor is free."""
        try:
            connection, _ = self._listener.accept()
        except BlockingIOError:
            return None
        if not may_talk(connection):
            connection.close()
            return None
        connection.setblocking(False)
        reader = _Reader(connection, encode(hello_frame()))
        self._readers.append(reader)
        return reader

    def _attend(self, selector: selectors.BaseSelector, reader: _Reader, events: int) -> None:
        if events & selectors.EVENT_READ:
            try:
                gone = not reader.connection.recv(4096)  # readers have nothing to say
            except BlockingIOError:
                gone = False
            except OSError:
                gone = True
            if gone:
                self._drop(selector, reader)
                return
        if events & selectors.EVENT_WRITE:
            self._advance(selector, reader, start=False)

    def _advance(self, selector: selectors.BaseSelector, reader: _Reader, *, start: bool) -> None:
        while True:
            reader.fill(self._build, start)
            start = False
            had = len(reader.backlog)
            if not reader.send():
                self._drop(selector, reader)
                return
            if reader.backlog or not had:
                break
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if reader.backlog else 0)
        if selector.get_key(reader.connection).events != events:
            selector.modify(reader.connection, events, reader)

    def _drop(self, selector: selectors.BaseSelector, reader: _Reader) -> None:
        selector.unregister(reader.connection)
        reader.connection.close()
        self._readers.remove(reader)
        if not self._readers:
            for pool in self._pools():
                pool.attend(False)

    def _build(self, reader: _Reader) -> Iterator[bytes]:
        pools = self._pools()
        for pool in pools:
            if not pool.attended:
                pool.attend(True)
        known = reader.cursors
        reader.cursors = {
            pool.number: known.pop(pool.number) if pool.number in known else Cursor(pool)
            for pool in pools
        }
        # A pool that is no longer kept is read once more, to its end, and then let go.
        cursors = [*known.values(), *reader.cursors.values()]
        # All names before the first row: a reader that only wants to know what there is stops here.
        for cursor in cursors:
            yield from cursor.names()
        for cursor in cursors:
            yield from cursor.frames()
        if reader.flushes % COST_EVERY_FLUSHES == 0:
            yield encode(
                {
                    "frame": "cost",
                    "at_ns": monotonic_ns(),
                    "recording_ns": int(self._recording_ns()),
                    "sending_ns": self._sending_ns(),
                }
            )
        reader.flushes += 1

    def _close(self) -> None:
        deadline = monotonic() + LAST_WORDS_SECONDS
        with contextlib.suppress(OSError):
            while self._admit() is not None:  # who came just before the end is told it all too
                pass
        if self._readers:
            with contextlib.suppress(Exception):  # a pool that fails here is read as it is
                for pool in self._pools():  # a worker that left since the last look is told of too
                    pool.refresh(at_once=True)
        for position, reader in enumerate(self._readers):
            # An equal share each of what is left: a reader that has stopped uses up only its own.
            now = monotonic()
            share = (deadline - now) / (len(self._readers) - position)
            self._last_words(reader, now + share)
        with contextlib.suppress(OSError):
            os.unlink(self.path)
        self.abandon()

    def _last_words(self, reader: _Reader, deadline: float) -> None:
        reader.connection.setblocking(True)
        bye = encode({"frame": "bye", "reason": "the process ends"})
        # What is left of a flush under way comes before the last one.
        reader.frames = itertools.chain(reader.frames, self._build(reader), (bye,))
        with contextlib.suppress(Exception):  # nothing here may hold up or fail an exit
            while True:
                reader.fill(self._build, start=False)
                if not reader.backlog:
                    return
                left = deadline - monotonic()
                if left <= 0:
                    return
                reader.connection.settimeout(left)
                del reader.backlog[: reader.connection.send(reader.backlog, NO_SIGNAL)]


def _bind(listener: socket.socket, path: str) -> bool:
    """Bind at `path`; a dead process's leftover is replaced, a live one's is left (False)."""
    with address(path) as short:
        try:
            listener.bind(short)
            return True
        except OSError:
            if not os.path.exists(path):
                raise
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
            try:
                asking.connect(short)
                return False
            except ConnectionRefusedError:
                os.unlink(path)
        listener.bind(short)
        return True


def _wait_until_gone(native_id: int) -> None:
    """Wait until the kernel has seen a thread end: its last words come a little before that."""
    deadline = monotonic() + LAST_WORDS_SECONDS
    while os.path.exists(f"/proc/self/task/{native_id}") and monotonic() < deadline:
        time.sleep(0)


def hello_frame() -> dict[str, Any]:
    """Return the frame that opens every stream."""
    return {
        "frame": "hello",
        "version": VERSION,
        "pid": os.getpid(),
        "argv0": sys.argv[0] if sys.argv else "",
        "python": sys.version.split()[0],
        "now_ns": monotonic_ns(),
        "wall_ns": time.time_ns(),
    }
