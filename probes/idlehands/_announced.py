"""The recorder that `idlehands run --capture` has started: each process of the job calls it.

The recorder is a process of its own, which listens on a socket in this user's folder before the job
begins. The environment names the socket, so that the processes that the job starts find it too. A
process calls it when its publisher starts, and sends it what any other reader is sent. Because the
recorder need not find the process first, it has the rows of a job that lasts milliseconds, too.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
from time import monotonic
from typing import Callable

from ._descriptors import OwnSocket
from ._folder import Folder, FolderRefused, may_talk
from ._os_calls import surround

ENVIRONMENT = "IDLEHANDS_RECORDER"
"""The id of the job's first process, a colon, and the path of the recorder's socket."""
NAMING_SECONDS = 5.0
"""The longest that the job's first process waits at its end until the capture has its name."""


def announce(path: str) -> None:
    """Have this process, the first of its job, and those that it starts call the recorder there."""
    os.environ[ENVIRONMENT] = f"{os.getpid()}:{path}"


def stop_before_os_exit(stop: Callable[[], None]) -> None:
    """Have `stop` called ahead of `os._exit` where there is a recorder: it sends the last rows."""

    def before() -> bool:
        with contextlib.suppress(BaseException):  # the job ends now, whatever happens here
            stop()
        return False

    if ENVIRONMENT in os.environ:
        surround("_exit", before, lambda: None)


def call() -> OwnSocket | None:
    """Return a connection to the recorder, None where there is none. Never waits.

    Raises BlockingIOError where it has no room for another caller just now.
    """
    _, _, path = os.environ.get(ENVIRONMENT, "").partition(":")
    if not path:
        return None
    try:
        with Folder(os.path.dirname(path)) as folder:
            return _connected(folder, os.path.basename(path))
    except BlockingIOError:
        raise
    except (OSError, FolderRefused):  # it has ended, or this process is another user's now
        return None


def _connected(folder: Folder, name: str) -> OwnSocket | None:
    connection = OwnSocket(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM))
    try:
        connection.socket.setblocking(False)
        connection.socket.connect(folder.address(name))
        if may_talk(connection.socket):
            return connection
    except BaseException:
        connection.close()
        raise
    connection.close()
    return None


def wait_until_named() -> None:
    """Wait until the capture is complete and has its name, in the job's first process only.

    The recorder closes a connection on which it is sent nothing when that is so, or at once while
    other processes of the job go on. Bounded by `NAMING_SECONDS`; raises nothing.
    """
    if os.environ.get(ENVIRONMENT, "").partition(":")[0] != str(os.getpid()):
        return
    deadline = monotonic() + NAMING_SECONDS
    with contextlib.suppress(OSError):
        connection = call()
        if connection is None:
            return
        with contextlib.closing(connection):
            connection.socket.shutdown(socket.SHUT_WR)
            poll = select.poll()
            poll.register(connection.number, select.POLLIN)
            while connection.is_ours and (left := deadline - monotonic()) > 0:
                if poll.poll(left * 1000):
                    return
