"""Finds what can be watched: the probe sockets that this user may reach, each asked once.

The sockets are in this user's folder; for root, in the folders of all users. A folder is opened and
verified before anything in it is read. A socket whose process has ended is removed, in this user's
own folder only. Answers are cached, so that watching one process does not ask all others again.
"""

from __future__ import annotations

import contextlib
import os
import re
from dataclasses import dataclass, field
from itertools import zip_longest
from time import monotonic
from typing import TYPE_CHECKING

import psutil

from idlehands.wire import ENVIRONMENT, Folder, FolderRefused, folder_path, temporary_folder

from .asking import FoundProcess, ProbeSocket, ask
from .sockets import process_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator

AGAIN_SECONDS = 5.0
"""A socket is asked again after this long: its process may have made a pool."""
RUNTIME_FOLDERS = "/run/user"
USER_ID = re.compile(r"\d{1,10}", re.ASCII)
USER_FOLDER = re.compile(r"idlehands-(\d{1,10})", re.ASCII)
LONGEST_PROCESS_ID = 10


def folders() -> list[tuple[str, int]]:
    """Return the socket folders to search, each with the user that it must belong to.

    They are this user's own folder and, for root, the usual folders of all users. If the
    environment names a folder, it is the only one; root may name another user's.
    """
    own = folder_path()
    if os.geteuid() != 0:
        return [(own, os.geteuid())]
    if os.environ.get(ENVIRONMENT):
        with contextlib.suppress(OSError):
            return [(own, os.lstat(own).st_uid)]
        return [(own, 0)]
    found = {own: 0}
    for name in _names(RUNTIME_FOLDERS):
        if USER_ID.fullmatch(name):
            found.setdefault(os.path.join(RUNTIME_FOLDERS, name, "idlehands"), int(name))
    for name in _names(temporary_folder()):
        if match := USER_FOLDER.fullmatch(name):
            found.setdefault(os.path.join(temporary_folder(), name), int(match[1]))
    return list(found.items())


def _names(folder: str) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []


def process_id(target: str) -> int | None:
    """Return the process id if the target is one, else None."""
    is_number = target.isascii() and target.isdecimal() and len(target) <= LONGEST_PROCESS_ID
    return int(target) if is_number else None


def descendants(pid: int) -> set[int]:
    """Return the processes that a process has started, directly or not; empty if it has ended."""
    try:
        return {child.pid for child in psutil.Process(pid).children(recursive=True)}
    except psutil.Error:
        return set()


class Job:
    """The processes of a target: for a process id, that process and those it has started, directly
    or not, at this time; for any other target, the processes with an open pool of that name."""

    def __init__(self, target: str) -> None:
        self._name = target
        self._pid = process_id(target)
        self._family: set[int] | None = None

    def may_have(self, pid: int) -> bool:
        """Return whether a process can belong to the job, by its id alone."""
        if self._pid is None or pid == self._pid:
            return True
        if self._family is None:
            self._family = descendants(self._pid)
        return pid in self._family

    def of(self, found: Collection[FoundProcess]) -> list[FoundProcess]:
        """Return the job's processes among `found`; the process of the target's id comes first."""
        if self._pid is None:
            return [process for process in found if self._has_pool(process)]
        chosen = [process for process in found if self.may_have(process.pid)]
        return sorted(chosen, key=lambda process: (process.pid != self._pid, process.pid))

    def _has_pool(self, process: FoundProcess) -> bool:
        return any(pool.name == self._name and not pool.closed for pool in process.pools)


@dataclass(slots=True)
class _Answer:
    identity: tuple[int, int]
    process: FoundProcess
    at: float


@dataclass(slots=True)
class Finder:
    """Finds the processes that can be watched, and caches the answer of each socket.

    refused: a line for each folder that the last `find` could not search, with the reason. unasked:
    how many sockets it had no time to ask.
    """

    clock: Callable[[], float] = monotonic
    refused: list[str] = field(default_factory=list)
    unasked: int = 0
    _answers: dict[str, _Answer] = field(default_factory=dict)

    def find(self, job: Job | None = None, attached: Collection[str] = ()) -> list[FoundProcess]:
        """Return the processes with a probe, by process id; with `job`, those that it may have.

        Sockets whose path is in `attached` are neither asked nor returned. Never raises, whatever
        a folder holds.
        """
        with contextlib.ExitStack() as stack:
            sockets = [
                one
                for one in _in_turn([_sockets(folder) for folder in self._open(stack)])
                if one.path not in attached and (job is None or job.may_have(one.pid))
            ]
            present = {one.path: one.identity for one in sockets}
            self._answers = {
                path: answer
                for path, answer in self._answers.items()
                if present.get(path) == answer.identity and self.clock() - answer.at < AGAIN_SECONDS
            }
            self._ask([one for one in sockets if one.path not in self._answers])
        found = [answer.process for answer in self._answers.values()]
        return sorted(found, key=lambda process: process.pid)

    def forget(self, path: str) -> None:
        """Drop the cached answer of the socket at `path`, so that the next `find` asks it again."""
        self._answers.pop(path, None)

    def _open(self, stack: contextlib.ExitStack) -> Iterator[Folder]:
        self.refused = []
        for path, owner in folders():
            try:
                yield stack.enter_context(Folder(path, owner))
            except FolderRefused as error:
                if not isinstance(error.__cause__, FileNotFoundError):
                    self.refused.append(str(error))

    def _ask(self, sockets: list[ProbeSocket]) -> None:
        self.unasked = len(sockets)
        for one, process in ask(sockets):
            self.unasked -= 1
            if process is not None:
                self._answers[one.path] = _Answer(one.identity, process, self.clock())
            else:  # a probe listens before its socket gets this name: nobody ever will
                one.folder.remove(one.name, one.identity)


def _sockets(folder: Folder) -> list[ProbeSocket]:
    found = []
    for name in folder.sockets():
        pid, identity = process_of(name), folder.identity(name)
        if pid is not None and identity is not None:
            found.append(ProbeSocket(folder, name, pid, identity))
    return found


def _in_turn(lists: list[list[ProbeSocket]]) -> Iterator[ProbeSocket]:
    """Yield sockets of each list in turn, so that a full folder does not delay the others."""
    for row in zip_longest(*lists):
        yield from (one for one in row if one is not None)
