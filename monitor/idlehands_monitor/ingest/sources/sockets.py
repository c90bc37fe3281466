"""Connects to a probe's socket: through its verified folder, and to no other socket.

A name in a folder can become a link between the check and the connection, and connecting follows
links. So the socket is opened first, without following links, and the connection goes to what was
opened (open(2), O_PATH). The listener must be the folder's owner or root (unix(7), SO_PEERCRED).
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import socket
import stat
from typing import TYPE_CHECKING

from idlehands.wire import Folder, may_talk, peer_uid

if TYPE_CHECKING:
    from collections.abc import Iterator

NAME = re.compile(r"([1-9]\d{0,9})(?:-\d{1,3})?\.sock", re.ASCII)
"""Names of probes' sockets: the process id, and a number where that name is taken."""


class AnotherUser(Exception):
    """The socket is served by a user who is neither the folder's owner nor root."""


def process_of(name: str) -> int | None:
    """Return the process id in a socket's name, None where the name is not a probe's."""
    match = NAME.fullmatch(name)
    return int(match[1]) if match else None


def reach(path: str, owner: int) -> socket.socket:
    """Return a connection to the socket at `path`, in a folder of user `owner`.

    Raises FolderRefused, and what `connect` raises.
    """
    with Folder(os.path.dirname(path), owner) as folder:
        return connect(folder, os.path.basename(path))


def connect(folder: Folder, name: str) -> socket.socket:
    """Return a non-blocking connection to a socket in an open folder. Never waits.

    Raises ConnectionRefusedError where nobody listens, BlockingIOError where its queue is full,
    AnotherUser, and OSError for anything else.
    """
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        connection.setblocking(False)
        with _address(folder, name) as address:
            connection.connect(address)
        if not may_talk(connection, folder.owner):
            raise AnotherUser(
                f"has a socket that user {peer_uid(connection)} serves, who is neither its owner "
                "nor root; nothing is read from it"
            )
    except BaseException:
        connection.close()
        raise
    return connection


def is_deserted(folder: Folder, name: str) -> bool:
    """Return whether no process listens at a name of this user's folder any more. Never waits."""
    try:
        connect(folder, name).close()
    except ConnectionRefusedError:
        return True
    except (OSError, AnotherUser):
        return False
    return False


@contextlib.contextmanager
def _address(folder: Folder, name: str) -> Iterator[str]:
    """Yield an address of exactly the socket that has this name now."""
    if not hasattr(os, "O_PATH"):  # elsewhere than on Linux
        yield folder.address(name)
        return
    flags = os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(name, flags, dir_fd=folder.descriptor)
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISSOCK(status.st_mode) or status.st_uid != folder.owner:
            raise OSError(errno.ENOTSOCK, os.strerror(errno.ENOTSOCK), name)
        yield f"/proc/self/fd/{descriptor}"
    finally:
        os.close(descriptor)
