"""Descriptors that are the probe's only as long as they lead to what it opened.

A job may close every open descriptor, as a program that becomes a daemon does, and then open its
own files under the same numbers. So before a descriptor is used or closed, the file that it leads
to is compared with the one that was opened. A descriptor that leads elsewhere is not closed.

Nothing can compare and close in one step. So the probe's thread holds still while the job closes
a range of descriptors, see `_process`. If the job closes them one at a time, what is left is the
moment between the comparison and the close.
"""

from __future__ import annotations

import os
import socket

MOST_BYTES = 4096
Identity = tuple[int, int]
"""Device and inode of an open file (fstat(2)): unique among the open sockets of a machine."""


def identity_of(descriptor: int) -> Identity | None:
    """Return what a descriptor leads to, None where it is closed."""
    try:
        status = os.fstat(descriptor)
    except OSError:
        return None
    return status.st_dev, status.st_ino


def close_if_ours(descriptor: int, identity: Identity | None) -> None:
    """Close a descriptor that still leads to what was opened, of that identity; else do nothing."""
    if identity is not None and identity_of(descriptor) == identity:
        os.close(descriptor)


def content_of(path: str) -> bytes:
    """Return the beginning of a file, at most 4096 bytes. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    identity = identity_of(descriptor)
    try:
        # Not `os.read`: that would take bytes out of a pipe of the job's under this number.
        return os.pread(descriptor, MOST_BYTES, 0)
    finally:
        close_if_ours(descriptor, identity)


def start_ticks(pid: int) -> int:
    """Return when a process started (proc(5), stat, field 22), 0 if it has ended, -1 if unknown."""
    try:
        fields = content_of(f"/proc/{pid}/stat").rpartition(b")")[2].split()
        return 0 if fields[0] in (b"Z", b"X") else int(fields[19])
    except (OSError, IndexError, ValueError):
        return -1


class OwnSocket:
    """A socket of the probe's; check `is_ours` before each use of `socket`."""

    __slots__ = ("_identity", "number", "socket")

    def __init__(self, opened: socket.socket) -> None:
        self.socket = opened
        self.number = opened.fileno()
        self._identity = identity_of(self.number)

    @property
    def is_ours(self) -> bool:
        """Whether the descriptor still leads to this socket."""
        return self._identity is not None and identity_of(self.number) == self._identity

    def close(self) -> None:
        """Close the socket if it is still ours, else only forget it. A second call does nothing."""
        if self.is_ours:
            self._identity = None
            self.socket.close()
        else:
            self._identity = None
            self.socket.detach()
