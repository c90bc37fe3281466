"""A job of `leak_jobs` in a process of its own, and the readers that attach to it."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import idlehands
from addresses import address
from idlehands.wire import SUFFIX, Decoder

JOBS = Path(__file__).with_name("leak_jobs.py")
SOURCES = str(Path(idlehands.__file__).parent.parent)
MOST_BYTES = 1 << 30
"""No job is let grow beyond this; of addresses it is given twice as many."""
PATIENCE_SECONDS = 10.0
READERS = 8
"""So many readers a probe admits."""


def bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (2 * MOST_BYTES, 2 * MOST_BYTES))


class NotInTime(Exception):
    """The job has had all its seconds."""


class Job:
    """A job's process: asked to repeat its thing, it says what it holds then."""

    def __init__(
        self, name: str, folder: Path, *, probed: bool, detail: str, seconds: float
    ) -> None:
        kept = {key: value for key, value in os.environ.items() if not key.startswith("IDLEHANDS")}
        variables = {"IDLEHANDS_DIR": str(folder), "PYTHONPATH": SOURCES}
        variables["PYTHONWARNINGS"] = "ignore::DeprecationWarning"  # jobs fork beside threads
        if detail:
            variables["IDLEHANDS_DETAIL"] = detail
        if not probed:
            variables["IDLEHANDS"] = "off"
        how = ["-m", "idlehands", "run"] if probed else []
        self.folder = folder
        self.errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed in `end`
        self.deadline = time.monotonic() + seconds
        self.process = subprocess.Popen(
            [sys.executable, *how, str(JOBS), name],
            env={**kept, **variables},
            preexec_fn=bounded,  # noqa: PLW1509 - the only other threads receive
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self.errors,
        )

    @property
    def path(self) -> Path:
        return self.folder / f"{self.process.pid}{SUFFIX}"

    def ask(self, count: int, how: str = "") -> dict[str, Any]:
        """Have it repeat its thing; return what it holds. Raises NotInTime, EOFError."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{count} {how}\n".encode())
        self.process.stdin.flush()
        left = max(0.0, self.deadline - time.monotonic())
        ready, _, _ = select.select([self.process.stdout], [], [], left)
        if not ready:
            raise NotInTime
        line = self.process.stdout.readline()
        if not line:
            raise EOFError
        sample: dict[str, Any] = json.loads(line)
        sample["sockets"] = len(list(self.folder.glob(f"*{SUFFIX}")))
        return sample

    def end(self) -> None:
        """Have it end; what it wrote to standard error is in `said` then."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.close()
        try:
            self.process.wait(PATIENCE_SECONDS)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()
        self.errors.seek(0)
        self.said = self.errors.read().decode(errors="replace").strip()
        self.errors.close()


def connected(path: Path) -> socket.socket:
    """Connect to a probe's socket, which may be about to be made. Raises OSError after a while."""
    deadline = time.monotonic() + PATIENCE_SECONDS
    while True:
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        connection.settimeout(PATIENCE_SECONDS)
        try:
            with address(path) as short:
                connection.connect(short)
        except OSError:
            connection.close()
            if time.monotonic() > deadline:
                raise
            time.sleep(0.01)
        else:
            return connection


@contextlib.contextmanager
def draining(path: Path) -> Iterator[None]:
    """Take all that a probe sends, meanwhile. Raises ConnectionError where it hung up before."""
    connection = connected(path)

    def drain() -> None:
        with contextlib.suppress(OSError):
            while connection.recv(1 << 18):
                pass

    connection.settimeout(None)
    thread = threading.Thread(target=drain, daemon=True)
    thread.start()
    try:
        yield
        if not thread.is_alive():
            raise ConnectionError("it hung up")
    finally:
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)
        thread.join()
        connection.close()


@contextlib.contextmanager
def silent(path: Path) -> Iterator[None]:
    """Have as many readers as a probe admits, none of whom reads."""
    connections = [connected(path) for _ in range(READERS)]
    try:
        yield
    finally:
        for connection in connections:
            connection.close()


def read_until(path: Path, kinds: Sequence[str], says: bytes = b"") -> None:
    """Attach, read up to the first frame of one of these kinds, or the end, and hang up."""
    connection = connected(path)
    decoder = Decoder()
    with connection:
        if says:
            connection.sendall(says)
        while True:
            data = connection.recv(1 << 18)
            if not data or any(frame["frame"] in kinds for frame in decoder.feed(data)):
                return


def attach_and_detach(path: Path) -> None:
    read_until(path, ("levels",))


def ask_for_names(path: Path) -> None:
    read_until(path, ("names",), b"n")


def be_refused(path: Path) -> None:
    read_until(path, ("bye", "names"))
