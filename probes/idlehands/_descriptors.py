"""Descriptors that stay the probe's only as long as they are what it opened.

A job may close every descriptor there is, as programs do that become daemons, and open files of
its own under the same numbers. So before a descriptor is used or closed, what it leads to is
compared with what was opened; one that leads elsewhere is let go, not closed.
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
    """A socket of the probe's; `socket` is to be used only after a look at `is_ours`."""

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
        """Close the socket if it is still ours, else let it go. A second call does nothing."""
        if self.is_ours:
            self._identity = None
            self.socket.close()
        else:
            self._identity = None
            self.socket.detach()
