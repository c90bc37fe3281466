"""The socket at which readers attach to this process: makes it, checks that it is ours, removes it.

A name in the folder only ever leads to a socket that already listens: a socket is bound under
another name first and gets its own once it listens. So a name at which no process answers belongs
to a dead process. Nothing here waits, whatever process holds a name.
"""

from __future__ import annotations

import contextlib
import os
import socket

from ._descriptors import OwnSocket
from ._folder import SUFFIX, Folder, FolderRefused, open_own_folder

MOST_NAMES = 100
"""Containers that share a folder can have processes of the same id."""
CALLERS_WAITING = 8
MOST_SWEPT = 64
UNNAMED_SECONDS = 60.0
"""A socket without its own name after so long never gets one: its process was killed."""


class Listener(OwnSocket):
    """A listening socket in this user's folder. `path` is where, for people to read.

    Raises FolderRefused or OSError where it cannot be had.
    """

    __slots__ = ("_file", "name", "path")

    def __init__(self) -> None:
        with open_own_folder() as folder:
            _sweep(folder)
            listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            super().__init__(listener)
            try:
                listener.setblocking(False)
                os.fchmod(listener.fileno(), 0o600)  # as the file that `bind` makes will be
                self.name = _listen(listener, folder)
                self._file = folder.identity(self.name)
                self.path = os.path.join(folder.path, self.name)
            except BaseException:
                self.close()  # unless the job has closed it meanwhile and has a file there
                raise

    def sweep(self) -> None:
        """Remove sockets that dead processes have left beside it."""
        with (
            contextlib.suppress(OSError, FolderRefused),
            Folder(os.path.dirname(self.path)) as folder,
        ):
            _sweep(folder)

    def remove(self) -> None:
        """Take the name out of the folder, if it still leads to this socket."""
        with (
            contextlib.suppress(OSError, FolderRefused),
            Folder(os.path.dirname(self.path)) as folder,
        ):
            folder.remove(self.name, self._file)


def _listen(listener: socket.socket, folder: Folder) -> str:
    """Bind, listen, and give the socket its name, which is returned."""
    making = f".{os.getpid()}-{os.urandom(6).hex()}"
    listener.bind(folder.address(making))
    try:
        listener.listen(CALLERS_WAITING)
        for attempt in range(MOST_NAMES):
            name = f"{os.getpid()}{f'-{attempt}' if attempt else ''}{SUFFIX}"
            if _take_name(folder, making, name):
                return name
    finally:
        with contextlib.suppress(OSError):
            os.unlink(making, dir_fd=folder.descriptor)
    raise OSError(f"no free socket name for process {os.getpid()} in {folder.path}")


def _take_name(folder: Folder, making: str, name: str) -> bool:
    """Name the new socket; a dead process's leftover is replaced, a live one's left (False)."""
    own = folder.descriptor
    for _ in range(2):
        try:
            os.link(making, name, src_dir_fd=own, dst_dir_fd=own, follow_symlinks=False)
            return True
        except FileExistsError:
            there = folder.identity(name)
            if there is None or not is_dead(folder, name) or not folder.remove(name, there):
                return False
    return False


def _sweep(folder: Folder) -> None:
    """Remove some sockets of dead processes: children that end by `os._exit` leave theirs."""
    for name in folder.sockets()[:MOST_SWEPT] + folder.left_unnamed(UNNAMED_SECONDS)[:MOST_SWEPT]:
        there = folder.identity(name)
        if is_dead(folder, name):
            folder.remove(name, there)


def is_dead(folder: Folder, name: str) -> bool:
    """Return whether no process listens at a name of the folder any more. Never waits."""
    with contextlib.closing(OwnSocket(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM))) as asking:
        try:
            asking.socket.setblocking(False)
            asking.socket.connect(folder.address(name))
        except ConnectionRefusedError:
            return True
        except OSError:  # a socket that is full of callers is alive
            return False
    return False
