"""Reads the pages that probes leave: the last states of processes, in the socket folders.

A folder is opened and verified as for its sockets. A page must be a regular file of the folder's
owner; no link is followed, and no more than a page's length is read. In this user's own folder,
pages that are too old or too many are removed.
"""

from __future__ import annotations

import contextlib
import os
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING

from idlehands.wire import PAGE_BYTES, PAGE_NAME, Folder, FolderRefused, sweep_pages

from .. import limits
from ..page import state_in
from .discovery import folders

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..schema import CheckedFrame

FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


@dataclass(frozen=True, slots=True)
class Page:
    """A page: its folder and the folder's owner, its name, its mark, and the state on it."""

    folder: str
    owner: int
    name: str
    mark: int
    state: CheckedFrame

    @property
    def path(self) -> str:
        """Where the page is."""
        return os.path.join(self.folder, self.name)

    @property
    def socket_path(self) -> str:
        """Where the socket of its process is or was, "" where it had none."""
        socket = self.state["socket"]
        return os.path.join(self.folder, socket) if socket else ""


def read_pages() -> list[Page]:
    """Return the readable pages in this user's folder, for root in those of all users; the last
    written first. Never raises, whatever a folder holds."""
    found = list[Page]()
    for path, owner in folders():
        with contextlib.suppress(OSError, FolderRefused), Folder(path, owner) as folder:
            if folder.is_own:
                sweep_pages(folder)
            found += _in_folder(folder)
    return sorted(found, key=lambda page: page.state["wall_ns"], reverse=True)


def _in_folder(folder: Folder) -> Iterator[Page]:
    names = folder.files(PAGE_NAME)
    names.sort(key=lambda named: named[1].st_mtime_ns, reverse=True)
    for name, _status in names[: limits.PAGES]:
        found = state_in(_content(folder, name))
        match = PAGE_NAME.fullmatch(name)
        if found is not None and match is not None and found[1]["pid"] == int(match[1]):
            yield Page(folder.path, folder.owner, name, *found)


def _content(folder: Folder, name: str) -> bytes:
    """Return the first `PAGE_BYTES` of the owner's file of that name, fewer where it is shorter."""
    try:
        descriptor = os.open(name, FLAGS, dir_fd=folder.descriptor)
    except OSError:
        return b""
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_uid != folder.owner:
            return b""
        return os.pread(descriptor, PAGE_BYTES, 0)
    except OSError:
        return b""
    finally:
        os.close(descriptor)
