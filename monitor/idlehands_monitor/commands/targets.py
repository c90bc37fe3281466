"""From what a person typed to a source."""

from __future__ import annotations

import os
from time import monotonic, sleep
from typing import TYPE_CHECKING

from ..capture import CaptureError
from ..errors import NOTHING_TO_WATCH, CommandError
from ..sources import host
from ..sources.discovery import FoundProcess, find_processes, of_job
from ..sources.live import LiveSource
from ..sources.replay import ReplaySource
from ..sources.sampled import SampledSource

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..sources.status import Source

SUFFIX = ".idlehands"
SAMPLED_SECONDS = 15.0
"""How long the first look at a process may take, which py-spy gives up on in ten seconds."""


def is_file(target: str) -> bool:
    """Say whether a target means a capture file rather than a process or a pool."""
    if target.isdigit():
        return False
    return target.endswith(SUFFIX) or os.sep in target or os.path.isfile(target)


def open_replay(path: str, speed: float = 1.0) -> ReplaySource:
    """Return a replay of the capture at `path`. Raises CommandError in one line."""
    try:
        return ReplaySource(path, speed)
    except CaptureError as error:
        raise CommandError(str(error)) from error


def open_live(target: str | None) -> Source:
    """Return a live source for a process id or pool name, or for the only pool there is.

    A process that has no probe is sampled from outside.

    Raises CommandError with status 3 when there is nothing to watch, 2 when it is not clear.
    """
    processes = find_processes()
    if target is None:
        return LiveSource(_only(processes))
    if of_job(target, processes):
        return LiveSource(target)
    if target.isdigit() and host.process_exists(int(target)):
        return _open_sampled(int(target))
    raise CommandError(_nothing(target, processes), NOTHING_TO_WATCH)


def _open_sampled(pid: int) -> SampledSource:
    source = SampledSource(pid)
    try:
        wait_until_attached(source, SAMPLED_SECONDS)
        if source.status.state == "ended":
            raise CommandError(source.status.note, NOTHING_TO_WATCH)
    except BaseException:
        source.close()
        raise
    return source


def wait_until_attached(
    source: Source, seconds: float = 5.0, given_up: Callable[[], bool] = lambda: False
) -> None:
    """Wait until the source is attached. Raises CommandError, status 3, when it cannot be."""
    deadline = monotonic() + seconds
    while source.status.state == "connecting":
        if monotonic() >= deadline or given_up():
            raise CommandError(f"could not attach to {source.target}: {source.status.note}", 3)
        sleep(0.02)


def _only(processes: list[FoundProcess]) -> str:
    if not processes:
        raise CommandError("no probed pool is running here; try: idlehands demo", NOTHING_TO_WATCH)
    for process in processes:  # one that has started all the others stands for the whole job
        if len(of_job(str(process.pid), processes)) == len(processes):
            return str(process.pid)
    listed = ", ".join(
        f"{process.pid} ({', '.join(pool.name for pool in process.pools)})" for process in processes
    )
    raise CommandError(f"several processes can be watched, name one: {listed}")


def _nothing(target: str, processes: list[FoundProcess]) -> str:
    if target.isdigit():
        return f"there is no process {target}"
    names = sorted({pool.name for process in processes for pool in process.pools})
    there = f"there is: {', '.join(names)}" if names else "no probed pool is running here"
    return f"no pool named {target!r} is running; {there}"
