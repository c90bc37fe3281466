"""Where sockets live and who may talk over them.

One folder per user, verified before use: a real directory, the user's own, closed to everybody
else. `$IDLEHANDS_DIR` names it outright; otherwise it is under `$XDG_RUNTIME_DIR` (XDG Base
Directory specification), and where that is not set under the temporary directory with the user
id in its name. Both ends of a connection check the other's user id (unix(7), SO_PEERCRED).
"""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import struct
from collections.abc import Iterator

ENVIRONMENT = "IDLEHANDS_DIR"
SUFFIX = ".sock"
LONGEST_ADDRESS = 100
"""Bytes of a socket path used as it is; unix(7) allows 107 on Linux, others fewer."""


class FolderRefused(RuntimeError):
    """The socket folder is not safe to use; the message says which and why."""


def folder_path() -> str:
    """Return the path of this user's socket folder, whether it exists or not."""
    chosen = os.environ.get(ENVIRONMENT)
    if chosen:
        return os.path.abspath(chosen)
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and os.path.isdir(runtime):
        return os.path.join(runtime, "idlehands")
    shared = os.environ.get("TMPDIR") or "/tmp"  # noqa: S108 - the folder in it is verified
    return os.path.join(shared, f"idlehands-{os.geteuid()}")


def verify_folder(path: str) -> None:
    """Raise FolderRefused unless `path` is a directory of ours that nobody else can enter."""
    try:
        status = os.lstat(path)
    except OSError as error:
        raise FolderRefused(f"socket folder {path}: {error.strerror}") from error
    if not stat.S_ISDIR(status.st_mode):
        raise FolderRefused(f"socket folder {path} is not a directory")
    if status.st_uid != os.geteuid():
        raise FolderRefused(f"socket folder {path} belongs to user {status.st_uid}")
    if status.st_mode & 0o077:
        raise FolderRefused(
            f"socket folder {path} is open to other users (mode {status.st_mode & 0o777:03o}); "
            f"chmod 700 it"
        )


def make_folder() -> str:
    """Create this user's socket folder if need be, verify it, and return its path."""
    path = folder_path()
    with contextlib.suppress(FileExistsError):
        try:
            os.mkdir(path, 0o700)
        except FileNotFoundError as error:
            raise FolderRefused(f"socket folder {path}: its parent does not exist") from error
        except PermissionError as error:
            raise FolderRefused(f"socket folder {path}: {error.strerror}") from error
    verify_folder(path)
    return path


@contextlib.contextmanager
def address(path: str) -> Iterator[str]:
    """Give a name for socket `path` short enough for the kernel, valid inside the block."""
    if len(os.fsencode(path)) <= LONGEST_ADDRESS or not os.path.isdir("/proc/self/fd"):
        yield path
        return
    descriptor = os.open(os.path.dirname(path), os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{descriptor}/{os.path.basename(path)}"
    finally:
        os.close(descriptor)


def peer_uid(connection: socket.socket) -> int | None:
    """Return the user id at the other end, or None where the platform cannot tell."""
    option = getattr(socket, "SO_PEERCRED", None)
    if option is None:
        return None
    size = struct.calcsize("3i")
    _pid, uid, _gid = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, option, size))
    return int(uid)


def may_talk(connection: socket.socket) -> bool:
    """Say whether the other end is this user or root. Where that is unknown the folder guards."""
    uid = peer_uid(connection)
    return uid is None or uid in (0, os.geteuid())
