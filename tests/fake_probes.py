"""Sockets in the place of a probe's socket, which answer as a test wants."""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import TYPE_CHECKING

from addresses import address
from idlehands.wire import VERSION, encode

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

GONE = 4_194_304
"""One more than any process id that Linux gives out (proc(5), pid_max)."""


def hello(pid: int, **changes: object) -> bytes:
    """Return the greeting of a probe in process `pid`."""
    said = {"version": VERSION, "pid": pid, "argv0": "berth.py", "python": "3.12.1"}
    return encode({"frame": "hello", **said, "now_ns": 1, "wall_ns": 1, **changes})


def names(name: str, pool: int = 1) -> bytes:
    """Return what a probe says of an open pool."""
    said = {"pool": pool, "name": name, "pool_kind": "threads", "workers": 2, "closed_ns": -1}
    return encode({"frame": "names", **said, "declared_ns": 1, "task_kinds": [], "threads": []})


def bye(reason: str = "the process ends") -> bytes:
    """Return the last frame of a stream."""
    return encode({"frame": "bye", "reason": reason})


class FakeProbe:
    """Listens at `path` until closed, and hands each connection to `answer` on a thread of its own.

    asked: the first bytes that each connection brought. most_open: how many were open at once.
    """

    def __init__(self, path: Path, answer: Callable[[socket.socket], object]) -> None:
        self.path = path
        self.asked: list[bytes] = []
        self.most_open = 0
        self._open = 0
        self._lock = threading.Lock()
        self._answer = answer
        self._listener = socket.socket(socket.AF_UNIX)
        with address(path) as short:
            self._listener.bind(short)
        self._listener.listen(64)
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with self._lock:
            self._open += 1
            self.most_open = max(self.most_open, self._open)
        with connection, contextlib.suppress(OSError):
            self._answer(connection)
            connection.shutdown(socket.SHUT_WR)
            self.asked.append(connection.recv(16))
            while connection.recv(4096):
                pass
        with self._lock:
            self._open -= 1

    def close(self) -> None:
        """Stop listening; the name stays."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


def saying(*frames: bytes) -> Callable[[socket.socket], object]:
    """Return an answer that is always the same."""
    return lambda connection: connection.sendall(b"".join(frames))
