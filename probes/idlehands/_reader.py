"""One attached reader: its socket, what waits for it, and how far it has read each pool."""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
import sys
import time
from collections.abc import Iterator
from time import monotonic, monotonic_ns
from typing import Any, Callable

from ._descriptors import OwnSocket
from ._frames import Cursor
from ._pool import PoolProbe
from ._wire import NAMES_ONLY, VERSION, encode

BACKLOG_BYTES = 1 << 18
"""No more is built for a reader while this much waits for it."""
GREETING_SECONDS = 0.05
"""Rows are first built for a reader so long after it connected: it may still send `NAMES_ONLY`."""
NO_SIGNAL: int = getattr(socket, "MSG_NOSIGNAL", 0)
"""A job may have restored SIGPIPE; a reader that disconnects must not end the job."""


class Reader(OwnSocket):
    """A reader on a non-blocking connection. It is first sent hello and the names of all pools.

    Attributes: wants_rows (None until it has had time to send `NAMES_ONLY`), stuck_since (when its
    socket last took bytes while more waited), flushes (how many were begun for it).
    """

    def __init__(
        self,
        connection: socket.socket,
        pools: list[PoolProbe],
        *,
        wants_rows: bool | None = None,
    ) -> None:
        super().__init__(connection)
        self.backlog = bytearray()
        self.cursors: dict[int, Cursor] = {pool.number: Cursor(pool) for pool in pools}
        self.frames: Iterator[bytes] = itertools.chain(
            (encode(hello_frame()),), *(guarded(c, c.names) for c in self.cursors.values())
        )
        self.wants_rows = wants_rows
        self._is_greeted = False
        self.rows_from = self.stuck_since = monotonic()
        self.rows_from += GREETING_SECONDS
        self.flushes = 0
        self._rows_seen = 0

    def fill(self, build: Callable[[Reader], Iterator[bytes]], start: bool) -> None:
        """Build frames up to the backlog's limit; with `start`, begin a new flush if idle."""
        while len(self.backlog) < BACKLOG_BYTES:
            frame = next(self.frames, None)
            if frame is not None:
                self._is_greeted = True
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
                if not self.is_ours:
                    return False
                del self.backlog[: self.socket.send(self.backlog, NO_SIGNAL)]
                self.stuck_since = monotonic()
        except BlockingIOError:
            return True
        except OSError:
            return False
        self.stuck_since = monotonic()
        return True

    def receive(self) -> bool:
        """Receive what it sends. Return False when the reader has gone."""
        try:
            data = self.socket.recv(4096)
        except BlockingIOError:
            return True
        except OSError:
            return False
        if data[:1] == NAMES_ONLY and self.wants_rows is None:
            self.wants_rows = False
        return bool(data)

    def refuse(self, reason: str) -> None:
        """Send hello and the reason, as far as its socket takes them, and close."""
        if not self._is_greeted:
            self.backlog += encode(hello_frame())
        self.backlog += encode({"frame": "bye", "reason": reason})
        self.send()
        self.close()

    def send_rest(self, frames: Iterator[bytes], deadline: float) -> None:
        """Send what is left and then `frames`, until the deadline. Never raises."""
        self.frames = itertools.chain(self.frames, frames)
        with contextlib.suppress(Exception):  # nothing here may hold up or fail an exit
            while True:
                self.fill(lambda _: iter(()), start=False)
                left = deadline - monotonic()
                if not self.backlog or left <= 0 or not self.is_ours:
                    return
                self.socket.settimeout(left)
                del self.backlog[: self.socket.send(self.backlog, NO_SIGNAL)]


def guarded(cursor: Cursor, build: Callable[[], Iterator[bytes]]) -> Iterator[bytes]:
    """Yield a pool's frames; a failure switches off that pool alone."""
    if cursor.has_failed:
        return
    try:
        yield from build()
    except Exception as error:
        cursor.has_failed = True
        cursor.pool.failed(error)


def hello_frame() -> dict[str, Any]:
    """Return the frame that opens every stream."""
    program = sys.argv[0] if sys.argv and type(sys.argv[0]) is str else ""
    return {
        "frame": "hello",
        "version": VERSION,
        "pid": os.getpid(),
        "argv0": program,
        "python": sys.version.split()[0],
        "now_ns": monotonic_ns(),
        "wall_ns": time.time_ns(),
    }
