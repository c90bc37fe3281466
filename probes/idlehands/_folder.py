"""Where sockets are and which users may talk over them.

One folder per user, verified before use: a real directory, the user's own, closed to everybody
else. `$IDLEHANDS_DIR` names it outright; otherwise it is under `$XDG_RUNTIME_DIR` (XDG Base
Directory specification), and where that is not set under the temporary directory with the user
id in its name. Both ends of a connection check the other's user id (unix(7), SO_PEERCRED).

Somebody can make a path lead elsewhere between two uses of it. So a folder is opened once, without
following a link, and verified by its descriptor; everything inside is reached through that
descriptor.
"""

from __future__ import annotations

import errno
import os
import re
import socket
import stat
import struct
import time
from types import TracebackType
from typing import Callable

from ._descriptors import Identity, close_if_ours, identity_of

ENVIRONMENT = "IDLEHANDS_DIR"
SUFFIX = ".sock"
UNNAMED = re.compile(r"\.\d+-[0-9a-f]{12}")
"""The name of a socket until it listens."""
DESCRIPTORS = "/proc/self/fd"
IsSort = Callable[[int], bool]
"""Tells by its mode whether a file is of a sort, as `stat.S_ISSOCK` does."""
_OPENING = os.O_RDONLY | os.O_CLOEXEC | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0)


class FolderRefused(RuntimeError):
    """The socket folder is not safe to use; the message names it and the reason."""


class Folder:
    """An open, verified socket folder; a context manager that closes it.

    Attributes: path (for messages), descriptor, owner (a user id).

    Raises FolderRefused unless `path` itself is a directory that belongs to `owner` (by default
    this user) and that no other user can enter. Raises NotADirectoryError where the job has closed
    the descriptor meanwhile and has a file there.
    """

    def __init__(self, path: str, owner: int | None = None) -> None:
        self.path = path
        self.owner = os.geteuid() if owner is None else owner
        try:
            self.descriptor = os.open(path, _OPENING)
        except OSError as error:
            if os.path.lexists(path) and (os.path.islink(path) or not os.path.isdir(path)):
                raise FolderRefused(f"socket folder {path} is not a directory") from error
            raise FolderRefused(f"socket folder {path}: {error.strerror}") from error
        self._identity = identity_of(self.descriptor)
        try:
            self._verify()
        except BaseException:
            self.close()
            raise

    def _verify(self) -> None:
        status = os.fstat(self.descriptor)
        if not stat.S_ISDIR(status.st_mode):
            raise NotADirectoryError(errno.ENOTDIR, "the descriptor leads elsewhere")
        if status.st_uid != self.owner:
            raise FolderRefused(f"socket folder {self.path} belongs to user {status.st_uid}")
        if status.st_mode & 0o077:
            raise FolderRefused(
                f"socket folder {self.path} is open to other users "
                f"(mode {status.st_mode & 0o777:03o}); chmod 700 it"
            )

    @property
    def is_own(self) -> bool:
        """Whether the folder belongs to the user that this process runs as."""
        return self.owner == os.geteuid()

    def address(self, name: str) -> str:
        """Return the address to bind or connect a socket at, valid while the folder is open."""
        if os.path.isdir(DESCRIPTORS):
            return f"{DESCRIPTORS}/{self.descriptor}/{name}"
        return os.path.join(self.path, name)

    def sockets(self, suffix: str = SUFFIX) -> list[str]:
        """Return the names of the sockets in it that end in `suffix`, in order."""
        names = [name for name in os.listdir(self.descriptor) if name.endswith(suffix)]
        return sorted(name for name in names if self.identity(name) is not None)

    def left_unnamed(self, seconds: float) -> list[str]:
        """Return the sockets that have had only a temporary name for this long."""
        names = [name for name in os.listdir(self.descriptor) if UNNAMED.fullmatch(name)]
        return [name for name in names if self._age_seconds(name) > seconds]

    def _age_seconds(self, name: str) -> float:
        try:
            status = os.stat(name, dir_fd=self.descriptor, follow_symlinks=False)
        except OSError:
            return 0.0
        return time.time() - status.st_mtime

    def files(self, names: re.Pattern[str]) -> list[tuple[str, os.stat_result]]:
        """Return the owner's regular files with such a name, in order, each with its status."""
        found = (
            (name, self._status(name))
            for name in sorted(os.listdir(self.descriptor))
            if names.fullmatch(name)
        )
        return [
            (name, status)
            for name, status in found
            if status is not None and stat.S_ISREG(status.st_mode)
        ]

    def identity(self, name: str, is_sort: IsSort = stat.S_ISSOCK) -> Identity | None:
        """Return (device, inode) of a socket, or of a file of another sort; None where `name` is
        none of the owner's."""
        status = self._status(name)
        if status is None or not is_sort(status.st_mode):
            return None
        return status.st_dev, status.st_ino

    def _status(self, name: str) -> os.stat_result | None:
        """Return the status of what the owner has under a name, None where that is nothing."""
        try:
            status = os.stat(name, dir_fd=self.descriptor, follow_symlinks=False)
        except OSError:
            return None
        return status if status.st_uid == self.owner else None

    def remove(self, name: str, identity: Identity | None, is_sort: IsSort = stat.S_ISSOCK) -> bool:
        """Remove a socket, or a file of another sort, if it still is the one of that identity;
        return whether it is gone.

        Only in this user's own folder: a user removes no other user's files.
        """
        if identity is None or not self.is_own or self.identity(name, is_sort) != identity:
            return False
        try:
            os.unlink(name, dir_fd=self.descriptor)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Close the descriptor; a second call does nothing."""
        descriptor, self.descriptor = self.descriptor, -1
        close_if_ours(descriptor, self._identity)

    def __enter__(self) -> Folder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def folder_path() -> str:
    """Return the path of this user's socket folder, whether it exists or not."""
    chosen = os.environ.get(ENVIRONMENT)
    if chosen:
        return os.path.abspath(chosen)
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and os.path.isdir(runtime):
        return os.path.join(runtime, "idlehands")
    return os.path.join(temporary_folder(), f"idlehands-{os.geteuid()}")


def temporary_folder() -> str:
    """Return the folder for temporary files that all users share."""
    return os.environ.get("TMPDIR") or "/tmp"  # noqa: S108 - the folder in it is verified


def open_own_folder() -> Folder:
    """Return this user's socket folder, created if need be. Raises FolderRefused."""
    path = folder_path()
    try:
        os.mkdir(path, 0o700)
    except FileExistsError:
        pass
    except FileNotFoundError as error:
        raise FolderRefused(f"socket folder {path}: its parent does not exist") from error
    except OSError as error:
        raise FolderRefused(f"socket folder {path}: {error.strerror}") from error
    return Folder(path)


def peer_uid(connection: socket.socket) -> int | None:
    """Return the user id at the other end, or None where the platform has no way to ask."""
    found = _peer(connection)
    return None if found is None else found[1]


def peer_pid(connection: socket.socket) -> int:
    """Return the id of the process that connected, or -1 where the platform has no way to ask."""
    found = _peer(connection)
    return -1 if found is None else found[0]


def _peer(connection: socket.socket) -> tuple[int, int] | None:
    option = getattr(socket, "SO_PEERCRED", None)
    if option is None:
        return None
    size = struct.calcsize("3i")
    pid, uid, _gid = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, option, size))
    return pid, uid


def may_talk(connection: socket.socket, owner: int | None = None) -> bool:
    """Return whether the other end is `owner` (this user where None) or root.

    Where that cannot be known it returns True: the folder is closed to other users.
    """
    uid = peer_uid(connection)
    return uid is None or uid in (0, os.geteuid() if owner is None else owner)
