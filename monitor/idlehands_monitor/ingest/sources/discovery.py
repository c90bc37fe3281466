"""What can be watched: the probe sockets that this user may reach, each asked once.

They are in this user's folder and, for root, in everybody's. Each folder is opened and verified
before anything in it is looked at; a socket whose process is gone is removed, in this user's own
folder only. What a socket said is remembered, so that one process can be watched without asking
all the others again and again.
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
"""A socket is asked again after this long: its process may have another pool by then."""
RUNTIME_FOLDERS = "/run/user"
USER_ID = re.compile(r"\d{1,10}", re.ASCII)
USER_FOLDER = re.compile(r"idlehands-(\d{1,10})", re.ASCII)
LONGEST_PROCESS_ID = 10


def folders() -> list[tuple[str, int]]:
    """Return the socket folders to look in, each with the user whom it must belong to.

    They are one's own and, as root, everybody's usual ones. A folder that the environment names is
    the only one; root may name another user's.
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
    """Return the process id that a target is, None where it is something else."""
    is_number = target.isascii() and target.isdecimal() and len(target) <= LONGEST_PROCESS_ID
    return int(target) if is_number else None


def descendants(pid: int) -> set[int]:
    """Return the processes that a process has started, directly or not; empty when it is gone."""
    try:
        return {child.pid for child in psutil.Process(pid).children(recursive=True)}
    except psutil.Error:
        return set()


class Job:
    """What a target means: a process id that process with those it has started, directly or not,
    as they are now; any other target the processes that have an open pool of that name."""

    def __init__(self, target: str) -> None:
        self._name = target
        self._pid = process_id(target)
        self._family: set[int] | None = None

    def may_have(self, pid: int) -> bool:
        """Say whether a process can belong to the job, by its id alone."""
        if self._pid is None or pid == self._pid:
            return True
        if self._family is None:
            self._family = descendants(self._pid)
        return pid in self._family

    def of(self, found: Collection[FoundProcess]) -> list[FoundProcess]:
        """Return the job's processes among `found`, the one whose id was given first."""
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
    """Finds the processes that can be watched, and remembers what each socket said.

    refused: why a folder could not be looked in, a line each, from the last `find`. unasked: how
    many sockets there was no time to ask.
    """

    clock: Callable[[], float] = monotonic
    refused: list[str] = field(default_factory=list)
    unasked: int = 0
    _answers: dict[str, _Answer] = field(default_factory=dict)

    def find(self, job: Job | None = None, attached: Collection[str] = ()) -> list[FoundProcess]:
        """Return the processes with a probe, by process id: those that `job` may have, if given.

        Sockets whose path is in `attached` are neither asked nor returned. Never raises for what
        is in a folder.
        """
        with contextlib.ExitStack() as stack:
            sockets = [
                one
                for one in _in_turn([_sockets(folder) for folder in self._open(stack)])
                if one.path not in attached and (job is None or job.may_have(one.pid))
            ]
            kept = {one.path: one.identity for one in sockets}
            self._answers = {
                path: answer
                for path, answer in self._answers.items()
                if kept.get(path) == answer.identity and self.clock() - answer.at < AGAIN_SECONDS
            }
            self._ask([one for one in sockets if one.path not in self._answers])
        found = [answer.process for answer in self._answers.values()]
        return sorted(found, key=lambda process: process.pid)

    def forget(self, path: str) -> None:
        """Ask the socket at `path` anew the next time, though not much time has passed."""
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
            else:  # a probe listens before its socket gets this name, so nobody ever will
                one.folder.remove(one.name, one.identity)


def _sockets(folder: Folder) -> list[ProbeSocket]:
    found = []
    for name in folder.sockets():
        pid, identity = process_of(name), folder.identity(name)
        if pid is not None and identity is not None:
            found.append(ProbeSocket(folder, name, pid, identity))
    return found


def _in_turn(lists: list[list[ProbeSocket]]) -> Iterator[ProbeSocket]:
    """Yield one of each list after the other, so that a full folder holds up no other."""
    for row in zip_longest(*lists):
        yield from (one for one in row if one is not None)
