"""From the target that a person typed to a source: a capture, a job, an external process."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Protocol

from ..ingest.sources import host
from ..ingest.sources.asking import FoundPool, FoundProcess
from ..ingest.sources.discovery import Finder, Job, descendants, process_id
from ..ingest.sources.external import ExternalSource
from ..ingest.sources.live import LiveSource
from ..ingest.sources.probed import has_probe
from ..ingest.sources.replay import ReplaySource
from ..model.errors import NOTHING_TO_WATCH, CommandError
from ..model.external import RUNS_PROBED
from ..model.vocabulary import StreamState
from .captures import command_errors
from .last_states import with_last_states
from .machine import MACHINE, Machine

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from ..ingest.intake import TakingSource
    from ..ingest.sources.status import SourceStatus

SUFFIXES = (".idlehands", ".sqlite")
ATTACHING_SECONDS = 5.0
FIRST_TASK_SECONDS = 3.0
EXTERNAL_SECONDS = 15.0
"""The longest wait for the first sample of a process; py-spy gives up after ten seconds."""


def is_file(target: str) -> bool:
    """Say whether a target means a file with a recording rather than a process or a pool."""
    if process_id(target) is not None:
        return False
    return target.endswith(SUFFIXES) or os.sep in target or os.path.isfile(target)


def open_replay(path: str, speed: float = 1.0) -> ReplaySource:
    """Return a replay of the capture at `path`. Raises CommandError in one line."""
    with command_errors():
        return ReplaySource(path, speed)


def open_live(
    target: str | None, machine: Machine = MACHINE, *, takes_stacks: bool = True
) -> TakingSource:
    """Return an attached live source for a process id or pool name, or for the only pool there is.

    A process that has no probe is sampled from outside; one that has a probe never is.
    takes_stacks: whether stacks of the job's threads may be taken.

    Raises CommandError with status 3 when there is nothing to watch, 2 when it is not clear.
    """
    finder = Finder()
    live = partial(LiveSource, takes_stacks=takes_stacks)
    pid = process_id(target) if target is not None else None
    job = Job(target) if target is not None else None
    processes = finder.find(job)
    if target is None:
        return _attached(live(_only(processes, finder)), ATTACHING_SECONDS, machine)
    chosen = job.of(processes) if job is not None else []
    if any(not process.note for process in chosen):
        return _attached(live(target), ATTACHING_SECONDS, machine)
    if chosen:
        raise CommandError(_notes(chosen), NOTHING_TO_WATCH)
    if pid is not None and host.process_exists(pid):
        _refuse_probed(pid)
        if _takes_first_task(pid, job, finder, machine):
            return _attached(live(str(pid)), ATTACHING_SECONDS, machine)
        external = ExternalSource(pid, takes_stacks=takes_stacks)
        return _attached(external, EXTERNAL_SECONDS, machine)
    if (whole := _only_of_file(target, processes)) is not None:
        return _attached(live(whole), ATTACHING_SECONDS, machine)
    raise CommandError(_nothing(target, processes, finder), NOTHING_TO_WATCH)


def _only_of_file(target: str, processes: Iterable[FoundProcess]) -> str | None:
    """Return the name of the only pool of a file: pools without a name of their own are called by
    the file and line that made them."""
    names = {pool.name for process in processes for pool in process.pools}
    of_file = [name for name in names if name.rpartition(":")[0] == target]
    return of_file[0] if len(of_file) == 1 else None


def _takes_first_task(pid: int, job: Job | None, finder: Finder, machine: Machine) -> bool:
    """Say whether a job that `idlehands run` has started takes its first task within seconds.

    Until then its probe has no socket.
    """
    deadline = machine.monotonic() + FIRST_TASK_SECONDS
    while host.program(pid)[0].rpartition("/")[2] in RUNS_PROBED and machine.monotonic() < deadline:
        if any(not process.note for process in finder.find(job)):
            return True
        machine.sleep(0.1)
    return False


def _refuse_probed(pid: int) -> None:
    """Raise CommandError where a process or its child process has a probe that is out of reach."""
    for one in sorted({pid, *descendants(pid)}):
        if has_probe(one):
            raise CommandError(
                f"process {one} has a probe, whose socket is in no folder that was "
                "searched; attach as its user or root, with its IDLEHANDS_DIR",
                NOTHING_TO_WATCH,
            )


def _attached(source: TakingSource, seconds: float, machine: Machine) -> TakingSource:
    try:
        wait_until_attached(source, seconds, machine)
    except BaseException:
        source.close()
        raise
    return source


class Attaching(Protocol):
    """What is asked of a source while it is waited for."""

    target: str

    @property
    def status(self) -> SourceStatus:
        """How the stream stands now."""

    @property
    def has_begun(self) -> bool:
        """Whether anything has come."""


def wait_until_attached(
    source: Attaching,
    seconds: float,
    machine: Machine = MACHINE,
    given_up: Callable[[], bool] = lambda: False,
) -> None:
    """Wait until something has come. Raises CommandError, status 3, when nothing can."""
    deadline = machine.monotonic() + seconds
    while True:
        status = source.status  # asked first: a source that has ended has begun, or never will
        if source.has_begun:
            return
        why = status.warning or status.note
        if status.state == StreamState.ENDED:
            raise CommandError(why, NOTHING_TO_WATCH)
        if machine.monotonic() >= deadline or given_up():
            raise CommandError(f"could not attach to {source.target}: {why}", NOTHING_TO_WATCH)
        machine.sleep(0.02)


@dataclass(frozen=True, slots=True)
class Found:
    """What can be watched, and then the processes that have ended otherwise than well, which have a
    note. refused: why a folder could not be searched, a line each. unasked: how many sockets there
    was no time to ask."""

    processes: tuple[FoundProcess, ...]
    refused: tuple[str, ...]
    unasked: int


def find() -> Found:
    """Return the processes with a probe whose sockets this user may reach, each asked once, and
    those that left a last state."""
    finder = Finder()
    processes = with_last_states(finder.find())
    return Found(tuple(processes), tuple(finder.refused), finder.unasked)


WITHOUT_PROBE = "idlehands watch PID samples a process that has no probe"


def no_pool(refused: Iterable[str]) -> str:
    """Return that no pool was found, why folders were refused, and what can be watched anyway."""
    return "; ".join(["no probed pool is running here", *refused, WITHOUT_PROBE])


def _only(processes: list[FoundProcess], finder: Finder) -> str:
    there = [process for process in processes if not process.note]
    if not there:
        unread = f"; {_notes(processes)}" if processes else ""
        raise CommandError(
            f"{no_pool(finder.refused)}{unread}; try: idlehands demo", NOTHING_TO_WATCH
        )
    for process in there:  # one that has started all the others stands for the whole job
        if len(Job(str(process.pid)).of(there)) == len(there):
            return str(process.pid)
    listed = ", ".join(
        f"{process.pid} ({', '.join(pool.name for pool in process.pools)})" for process in there
    )
    raise CommandError(f"several processes can be watched, name one: {listed}")


def _nothing(target: str, processes: list[FoundProcess], finder: Finder) -> str:
    if process_id(target) is not None:
        return f"there is no process {target}"
    names = sorted({pool.name for process in processes for pool in process.pools})
    there = f"there is: {', '.join(names)}" if names else no_pool(finder.refused)
    unread = [process for process in processes if process.note]
    more = f"; {_notes(unread)}" if unread else ""
    return f"no pool named {target!r} is running; {there}{more}"


def _notes(processes: list[FoundProcess]) -> str:
    return "; ".join(f"process {process.pid} {process.note}" for process in processes)


__all__ = [
    "Found",
    "FoundPool",
    "FoundProcess",
    "find",
    "is_file",
    "no_pool",
    "open_live",
    "open_replay",
    "wait_until_attached",
]
