"""What can be watched: the probe sockets of this user, asked one by one.

A socket whose process is gone refuses the connection; its file is then removed.
"""

from __future__ import annotations

import contextlib
import glob
import os
import socket
from dataclasses import dataclass
from time import monotonic
from typing import TYPE_CHECKING

import psutil

from idlehands.wire import (
    ENVIRONMENT,
    SUFFIX,
    Decoder,
    FolderRefused,
    Frame,
    WireError,
    address,
    folder_path,
    may_talk,
    verify_folder,
)

if TYPE_CHECKING:
    from collections.abc import Collection

ANSWER_SECONDS = 1.0


@dataclass(frozen=True, slots=True)
class FoundPool:
    """A pool as its process announces it."""

    name: str
    kind: str
    workers: int
    closed: bool


@dataclass(frozen=True, slots=True)
class FoundProcess:
    """A process with a probe: where its socket is, what it says of itself."""

    pid: int
    path: str
    program: str
    python: str
    pools: tuple[FoundPool, ...]


def folders() -> list[str]:
    """Return the socket folders to look in: one's own, and as root everybody's usual ones.

    A folder named outright in the environment is the only one.
    """
    found = [folder_path()]
    if os.geteuid() == 0 and not os.environ.get(ENVIRONMENT):
        for pattern in ("/run/user/*/idlehands", "/tmp/idlehands-*"):  # noqa: S108
            found += [path for path in glob.glob(pattern) if path not in found]
    return found


def find_processes(known: Collection[str] = ()) -> list[FoundProcess]:
    """Return the processes that can be watched, by process id. Never raises for a bad folder.

    Those whose socket's path is `known` are neither asked nor returned.
    """
    found: dict[str, FoundProcess] = {}
    for folder in folders():
        if not os.path.isdir(folder):
            continue
        try:
            if os.geteuid() != 0:
                verify_folder(folder)
        except FolderRefused:
            continue
        for path in sorted(glob.glob(os.path.join(glob.escape(folder), f"*{SUFFIX}"))):
            process = ask(path) if path not in known else None
            if process is not None:
                found[path] = process
    return sorted(found.values(), key=lambda process: process.pid)


def of_job(target: str, found: list[FoundProcess]) -> list[FoundProcess]:
    """Return those of `found` that belong to a job.

    That is, for a process id, the process and those it has started, directly or not; for any other
    target the processes that have an open pool of that name.
    """
    if not target.isdigit():
        return [
            process
            for process in found
            if any(pool.name == target and not pool.closed for pool in process.pools)
        ]
    pid = int(target)
    chosen = [process for process in found if process.pid == pid]
    if len(chosen) < len(found):
        family = descendants(pid)
        chosen += [process for process in found if process.pid in family]
    return chosen


def descendants(pid: int) -> set[int]:
    """Return the processes that a process has started, directly or not; empty when it is gone."""
    try:
        return {child.pid for child in psutil.Process(pid).children(recursive=True)}
    except psutil.Error:
        return set()


def ask(path: str) -> FoundProcess | None:
    """Return what the process behind a socket says of itself, None when nobody answers."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(ANSWER_SECONDS)
        try:
            with address(path) as short:
                connection.connect(short)
            if not may_talk(connection):
                return None
            frames = _first_frames(connection)
        except ConnectionRefusedError:
            with contextlib.suppress(OSError):
                os.unlink(path)
            return None
        except (OSError, WireError):
            return None
    try:
        return _describe(path, frames)
    except (KeyError, TypeError, ValueError):
        return None  # whoever answers is no probe of ours


def _first_frames(connection: socket.socket) -> list[Frame]:
    """Read hello and the names, which come before anything else."""
    decoder = Decoder()
    frames: list[Frame] = []
    deadline = monotonic() + ANSWER_SECONDS
    while monotonic() < deadline:
        data = connection.recv(1 << 16)
        if not data:
            break
        for frame in decoder.feed(data):
            if frame["frame"] not in ("hello", "names"):
                return frames
            frames.append(frame)
    return frames


def _describe(path: str, frames: list[Frame]) -> FoundProcess | None:
    hello = next((frame for frame in frames if frame["frame"] == "hello"), None)
    if hello is None:
        return None
    pools = {
        frame["pool"]: FoundPool(
            str(frame.get("name", "")),
            str(frame.get("pool_kind", "")),
            int(frame.get("workers", 0)),
            int(frame.get("closed_ns", -1)) >= 0,
        )
        for frame in frames
        if frame["frame"] == "names"
    }
    return FoundProcess(
        int(hello.get("pid", -1)),
        path,
        str(hello.get("argv0", "")),
        str(hello.get("python", "")),
        tuple(pools.values()),
    )
