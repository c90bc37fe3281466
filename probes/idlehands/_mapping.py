"""Memory that a process shares with those it starts, mapped from a file that has no name.

The file is gone with the processes that map it, however they end (memfd_create(2)). It is sealed:
no process can make it shorter, so a mapping never leads past its end. The descriptor is used or
closed only as long as it leads to this file: a job may close all descriptors that it did not open,
and open its own files under their numbers. The mapping survives the loss of the descriptor.

Before Python 3.13 `mmap` keeps a duplicate of the descriptor and closes that number with the
mapping, whatever it leads to by then. There the duplicate is the one descriptor that is kept, and
a mapping whose descriptor is lost stays until the process ends.
"""

from __future__ import annotations

import errno
import fcntl
import functools
import mmap
import os
import resource
import sys
from multiprocessing import context
from typing import Any, Callable

from ._descriptors import Identity, identity_of

NAME = "idlehands-slots"
MAPS_WITHOUT_DESCRIPTOR = sys.version_info >= (3, 13)
ADD_SEALS, GET_SEALS = 1033, 1034
NO_MORE_SEALS, NO_SHRINKING, NO_GROWING = 1, 2, 4
"""fcntl(2); the `fcntl` module has these only where it was built with headers that do."""
MAY_BE_SEALED, NOT_EXECUTABLE = 2, 8
"""Flags of memfd_create(2). Some systems allow only files that cannot be executed, and before
Linux 6.3 the flag is not known."""
DESCRIPTORS = "/proc/self/fd"

_lost: list[mmap.mmap] = []
if hasattr(os, "register_at_fork"):
    # Held beyond the end of all modules, or the job's files could be closed before they are
    # flushed: what is registered here is let go with the interpreter.
    os.register_at_fork(after_in_child=functools.partial(len, _lost))


def _being_started() -> Any:
    """Return the process that this thread is starting, of `multiprocessing` or `multiprocess`."""
    twin = sys.modules.get("multiprocess.context")
    starting: Any = context.get_spawning_popen()
    return twin.get_spawning_popen() if starting is None and twin is not None else starting


class Mapping:
    """A mapped file without a name. Takes the descriptor over.

    Attributes: memory, cells (the same as native 64-bit integers), descriptor, identity.

    Raises OSError where it cannot be mapped.
    """

    __slots__ = ("_made_by", "cells", "descriptor", "identity", "memory")

    def __init__(self, descriptor: int, size: int) -> None:
        identity = identity_of(descriptor)
        if identity is None:
            raise OSError(errno.EBADF, "the descriptor was closed")
        try:
            self.memory, self.descriptor = _map(descriptor, size, identity)
        except BaseException:
            os.close(descriptor)
            raise
        self.identity = identity
        self._made_by = 0
        self.cells = memoryview(self.memory).cast("q")

    @classmethod
    def create(cls, size: int) -> Mapping:
        """Return a new one of `size` bytes, all zero. Only Linux has such files."""
        most, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
        if most != resource.RLIM_INFINITY and most < size:
            raise OSError(
                errno.EFBIG, "the process may not make so large a file"
            )  # or SIGXFSZ comes
        descriptor = _nameless_file()
        try:
            os.ftruncate(descriptor, size)
            fcntl.fcntl(descriptor, ADD_SEALS, NO_MORE_SEALS | NO_SHRINKING | NO_GROWING)
        except BaseException:
            os.close(descriptor)
            raise
        mapping = cls(descriptor, size)
        mapping._made_by = os.getpid()
        return mapping

    @classmethod
    def receive(cls, descriptor: int, size: int, identity: Identity) -> Mapping:
        """Return the one that another process made, whose descriptor was passed to this one.

        Raises ValueError or OSError, and leaves the descriptor alone, where it leads elsewhere.
        """
        if identity_of(descriptor) != identity:
            raise ValueError("the descriptor leads elsewhere")
        seals = fcntl.fcntl(descriptor, GET_SEALS)
        if os.fstat(descriptor).st_size != size or not seals & NO_SHRINKING:
            raise ValueError("the memory is not as it was made")
        os.set_inheritable(descriptor, False)
        return cls(descriptor, size)

    @property
    def is_ours(self) -> bool:
        """Whether the descriptor still leads to this memory."""
        return identity_of(self.descriptor) == self.identity

    def passed(self) -> Any:
        """Return what a process that is being started needs to find its descriptor, or None.

        None where nothing is being started, or where the descriptor is lost.
        """
        starting = _being_started()
        if starting is None or not self.is_ours:
            return None
        passed = starting.DupFd(starting.duplicate_for_child(self.descriptor))
        os.set_inheritable(self.descriptor, False)  # loky would pass it to every other child
        return passed

    def __del__(
        self,
        # Bound here: at the end of the interpreter the names of modules may be gone.
        fstat: Callable[[int], os.stat_result] = os.fstat,
        close: Callable[[int], None] = os.close,
        getpid: Callable[[], int] = os.getpid,
        lose: Callable[[mmap.mmap], None] = _lost.append,
        remove: int = getattr(mmap, "MADV_REMOVE", 9),
        with_mapping: bool = not MAPS_WITHOUT_DESCRIPTOR,
    ) -> None:
        if not hasattr(self, "cells"):
            return
        try:
            status = fstat(self.descriptor)
            is_ours = (status.st_dev, status.st_ino) == self.identity
        except OSError:
            is_ours = False
        if not with_mapping:
            if is_ours:
                close(self.descriptor)
        elif not is_ours:
            lose(self.memory)
            if self._made_by == getpid():
                try:  # noqa: SIM105 - contextlib may be gone as well
                    self.memory.madvise(remove)  # the room at least is given back
                except (OSError, ValueError):
                    pass


def _nameless_file() -> int:
    """Return the descriptor of a new file that lies in memory only."""
    flags = os.MFD_CLOEXEC | MAY_BE_SEALED
    try:
        return os.memfd_create(NAME, flags | NOT_EXECUTABLE)
    except OSError:
        return os.memfd_create(NAME, flags)


def _map(descriptor: int, size: int, identity: Identity) -> tuple[mmap.mmap, int]:
    """Map a file; return the mapping and the one descriptor that is left for it."""
    if sys.version_info >= (3, 13):
        return mmap.mmap(descriptor, size, trackfd=False), descriptor
    next_free = os.dup(descriptor)
    os.close(next_free)
    memory = mmap.mmap(descriptor, size)  # whose duplicate has that number, most likely
    own = next_free if identity_of(next_free) == identity else _other(descriptor, identity)
    os.close(descriptor)
    return memory, own


def _other(descriptor: int, identity: Identity) -> int:
    """Return the other descriptor that leads to the same file. Raises OSError without /proc."""
    for number in map(int, os.listdir(DESCRIPTORS)):
        if number != descriptor and identity_of(number) == identity:
            return number
    raise OSError(errno.EBADF, "the descriptor was closed")
