"""Descriptors that are the probe's only as long as they lead to what it opened.

A job may close every open descriptor, as a program that becomes a daemon does, and then open its
own files under the same numbers. So before a descriptor is used or closed, the file that it leads
to is compared with the one that was opened. A descriptor that leads elsewhere is not closed.
"""

from __future__ import annotations

import os
import socket

Identity = tuple[int, int]
"""Device and inode of an open file (fstat(2)): unique among the open sockets of a machine."""


def identity_of(descriptor: int) -> Identity | None:
    """Return what a descriptor leads to, None where it is closed."""
    try:
        status = os.fstat(descriptor)
    except OSError:
        return None
    return status.st_dev, status.st_ino


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
