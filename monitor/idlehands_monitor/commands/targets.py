"""From what a person typed to a source."""

from __future__ import annotations

import os

from ..capture import CaptureError
from ..errors import NOTHING_TO_WATCH, CommandError
from ..sources import host
from ..sources.discovery import FoundProcess, find_processes
from ..sources.live import LiveSource
from ..sources.replay import ReplaySource

SUFFIX = ".idlehands"


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


def open_live(target: str | None) -> LiveSource:
    """Return a live source for a process id or pool name, or for the only pool there is.

    Raises CommandError with status 3 when there is nothing to watch, 2 when it is not clear.
    """
    processes = find_processes()
    if target is None:
        return LiveSource(_only(processes))
    matching = [process for process in processes if _matches(process, target)]
    if not matching:
        raise CommandError(_nothing(target, processes), NOTHING_TO_WATCH)
    if len(matching) > 1:
        pids = ", ".join(str(process.pid) for process in matching)
        raise CommandError(f"several processes have a pool {target!r}: {pids}; give a process id")
    return LiveSource(target)


def _matches(process: FoundProcess, target: str) -> bool:
    if str(process.pid) == target:
        return True
    return any(pool.name == target and not pool.closed for pool in process.pools)


def _only(processes: list[FoundProcess]) -> str:
    if not processes:
        raise CommandError("no probed pool is running here; try: idlehands demo", NOTHING_TO_WATCH)
    if len(processes) > 1:
        listed = ", ".join(
            f"{process.pid} ({', '.join(pool.name for pool in process.pools)})"
            for process in processes
        )
        raise CommandError(f"several processes can be watched, name one: {listed}")
    return str(processes[0].pid)


def _nothing(target: str, processes: list[FoundProcess]) -> str:
    if target.isdigit():
        if host.process_exists(int(target)):
            return f"process {target} has no probe that this user can reach"
        return f"there is no process {target}"
    names = sorted({pool.name for process in processes for pool in process.pools})
    there = f"there is: {', '.join(names)}" if names else "no probed pool is running here"
    return f"no pool named {target!r} is running; {there}"
