"""The page with the last state of a process: a small file that stays when the process is killed.

The page is written in place, with pwrite(2), and not through a mapping. In a mapped file a store
can fail: a full file system, a file that somebody cut short and a broken disk all raise SIGBUS,
which would end the job. Here each of them is an error number. A new page is written whole, so a
folder that is full later still takes the last state.

A page has a header and two copies. Each copy has a sequence number and a checksum, and they are
written in turn: when the process ends in the middle of a write, the other copy is whole.

The descriptor is compared before each use, as all descriptors of the probe are (see
`_descriptors`). Its number is far above those of the job's own files, which get the lowest free
numbers (open(2)). So if the job closes it between the comparison and the write, the number leads
nowhere, and never to a file of the job's. Touches: the socket folder, one file in it.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import re
import resource
import stat
import struct
import time
from binascii import crc32

from ._descriptors import close_if_ours
from ._folder import Folder, FolderRefused, open_own_folder

MAGIC = b"idlehands state\n"
VERSION = 1
COPY_BYTES = 8176
WRITTEN, RESTING, ENDED = range(3)
"""The mark in the header: the page is written every second; the probe has no thread until the next
task; the process has ended well."""
WORKER_STATES = (
    "working",
    "waiting",
    "searching",
    "parked",
    "fetching",
    "between tasks",
    "not started",
)
"""By number. A waiting worker is in a task that waits; a fetching worker takes its next task."""
NAME = re.compile(r"([1-9]\d{0,9})-[0-9a-f]{12}\.state", re.ASCII)
"""The name of a page: the process id, and random digits, because ids are used again."""

_header = struct.Struct("<16sIIQ")
_numbers = struct.Struct("<QI")
_copy = struct.Struct("<QII")
MARK_AT = 24
PAGE_BYTES = _header.size + 2 * COPY_BYTES
BODY_BYTES = COPY_BYTES - _copy.size
"""The most bytes that one copy can hold."""

KEPT_SECONDS = 24 * 3600.0
MOST_KEPT = 200
LATELY_SECONDS = 60.0
"""A page written so lately is of a living process, most likely: it is not one too many."""
MOST_COMMON_LIMIT = 1024
"""The usual limit of descriptors (getrlimit(2)); a higher number would make the kernel's table of
descriptors, which a fork copies, larger than it usually is."""
FLAGS = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | getattr(os, "O_NOFOLLOW", 0)


class StatePage:
    """The page of this process, in this user's folder. Attribute: path, for people to read.

    Raises FolderRefused or OSError where it cannot be had.
    """

    __slots__ = ("_descriptor", "_identity", "_name", "_sequence", "path")

    def __init__(self) -> None:
        self._descriptor, self._sequence = -1, 0
        self._name = f"{os.getpid()}-{os.urandom(6).hex()}.state"
        with open_own_folder() as folder:
            sweep(folder)
            self.path = os.path.join(folder.path, self._name)
            self._open(folder)
        try:
            header = _header.pack(MAGIC, VERSION, COPY_BYTES, WRITTEN)
            self._put(header.ljust(PAGE_BYTES, b"\0"), 0)
        except BaseException:
            self.remove()
            self.close()
            raise

    def _open(self, folder: Folder) -> None:
        opened = os.open(self._name, FLAGS, 0o600, dir_fd=folder.descriptor)
        # By the name: what the number leads to, the job may have changed already.
        self._identity = folder.identity(self._name, stat.S_ISREG)
        try:
            self._descriptor = fcntl.fcntl(opened, fcntl.F_DUPFD_CLOEXEC, _high_number())
        except OSError:
            folder.remove(self._name, self._identity, stat.S_ISREG)
            raise
        finally:
            close_if_ours(opened, self._identity)

    def write(self, body: bytes) -> None:
        """Write the state, at most `BODY_BYTES`. Raises OSError: then the page is of no use any
        more."""
        if len(body) > BODY_BYTES:
            raise OSError(errno.EFBIG, "the state is too long for a copy")
        self._sequence += 1
        numbers = _numbers.pack(self._sequence, len(body))
        data = numbers + crc32(numbers + body).to_bytes(4, "little") + body
        self._put(data, _header.size + self._sequence % 2 * COPY_BYTES)

    def mark(self, mark: int) -> None:
        """Write the mark in the header. Raises OSError."""
        self._put(mark.to_bytes(8, "little"), MARK_AT)

    def _put(self, data: bytes, place: int) -> None:
        self._check()
        if os.pwrite(self._descriptor, data, place) != len(data):
            raise OSError(errno.ENOSPC, "the page was written in part")

    def _check(self) -> None:
        """Raise OSError unless the descriptor leads to the page and the page has its name."""
        status = os.fstat(self._descriptor)
        if (status.st_dev, status.st_ino) != self._identity:
            raise OSError(errno.EBADF, "the descriptor leads elsewhere")
        if not status.st_nlink:
            raise OSError(errno.ENOENT, "the page was removed")
        most, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
        if most != resource.RLIM_INFINITY and most < PAGE_BYTES:  # or SIGXFSZ comes
            raise OSError(errno.EFBIG, "the process may not write so large a file")

    def remove(self) -> None:
        """Take the page out of the folder, if its name still leads to it."""
        with (
            contextlib.suppress(OSError, FolderRefused),
            Folder(os.path.dirname(self.path)) as folder,
        ):
            folder.remove(self._name, self._identity, stat.S_ISREG)

    def close(self) -> None:
        """Close the descriptor; the file stays. A second call does nothing."""
        descriptor, self._descriptor = self._descriptor, -1
        close_if_ours(descriptor, self._identity)


def _high_number() -> int:
    """Return the least number for the descriptor: at three quarters of those there may be."""
    most, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if most == resource.RLIM_INFINITY or most > MOST_COMMON_LIMIT:
        most = MOST_COMMON_LIMIT
    return most * 3 // 4


def sweep(folder: Folder) -> None:
    """Remove the pages that were not written for a day, and the oldest beyond `MOST_KEPT`."""
    now = time.time()
    found = sorted(
        (now - status.st_mtime, name, (status.st_dev, status.st_ino))
        for name, status in folder.files(NAME)
    )
    for place, (age, name, identity) in enumerate(found):
        if age > KEPT_SECONDS or (place >= MOST_KEPT and age > LATELY_SECONDS):
            folder.remove(name, identity, stat.S_ISREG)


def newest_copy(page: bytes) -> tuple[int, int, bytes] | None:
    """Return (mark, sequence number, body) of a page's newest whole copy, None without any."""
    if len(page) < PAGE_BYTES:
        return None
    magic, version, copy_bytes, mark = _header.unpack_from(page)
    if (magic, version, copy_bytes) != (MAGIC, VERSION, COPY_BYTES):
        return None
    copies = (_copy_at(page, _header.size + place * COPY_BYTES) for place in range(2))
    newest = max((copy for copy in copies if copy is not None), default=None)
    return (mark, *newest) if newest is not None else None


def _copy_at(page: bytes, place: int) -> tuple[int, bytes] | None:
    """Return (sequence number, body) of a copy, None where it is torn or not written yet."""
    sequence, length, checksum = _copy.unpack_from(page, place)
    if not sequence or length > BODY_BYTES:
        return None
    begin = place + _copy.size
    body = page[begin : begin + length]
    if crc32(page[place : place + _numbers.size] + body) != checksum:
        return None
    return sequence, body
