"""Host counters: what the kernel says of threads, for the watched process and no other.

Linux: `/proc/PID/task/TID/schedstat` (kernel documentation, scheduler/sched-stats.rst): time on
a core and time waiting on a run queue, in nanoseconds. Elsewhere psutil's per-thread CPU times,
which know no run queue.
"""

from __future__ import annotations

import os
import re
from time import monotonic_ns, time
from typing import TYPE_CHECKING

import psutil

from .kernel_files import read

if TYPE_CHECKING:
    from collections.abc import Iterable

    from idlehands.wire import Frame

    from .kernel_waits import KernelWaits

UNKNOWN = -1


def sample(threads: Iterable[tuple[int, int]], waits: KernelWaits | None = None) -> Frame:
    """Return a ``host`` frame for threads, each (pid, kernel thread id); gone ones are left out.

    ``threads`` maps a kernel thread id to [on-core ns, run-queue ns], the latter -1 where
    the platform does not say; ``moments`` to when its were read, for the reader of many threads
    may lose its core between two; ``waits`` to what it was in at that moment, if `waits` tells.
    ``gone`` are those left out.
    """
    wanted = list(threads)
    found, moments, seen = {}, {}, {}
    for pid, native_id in wanted:
        said = _from_schedstat(pid, native_id)
        if said is None:
            continue
        found[native_id], moments[native_id] = said, monotonic_ns()
        wait = waits.of(pid, native_id) if waits is not None else None
        if wait is not None:
            seen[native_id] = wait
    if not found:
        for pid in {pid for pid, _ in wanted}:
            found.update(_from_psutil(pid, {native for owner, native in wanted if owner == pid}))
    frame = {"frame": "host", "at_ns": monotonic_ns(), "threads": found, "moments": moments}
    frame["gone"] = sorted({native_id for _, native_id in wanted} - found.keys())
    return frame if waits is None else {**frame, "waits": seen}


def _from_schedstat(pid: int, native_id: int) -> list[int] | None:
    try:
        said = read(f"/proc/{pid}/task/{native_id}/schedstat")
        on_core, run_queue, _slices = said.split()
        return [int(on_core), int(run_queue)]
    except (OSError, ValueError):
        return None


def _from_psutil(pid: int, native_ids: set[int]) -> dict[int, list[int]]:
    try:
        every = psutil.Process(pid).threads()
    except psutil.Error:
        return {}
    return {
        thread.id: [int((thread.user_time + thread.system_time) * 1e9), UNKNOWN]
        for thread in every
        if thread.id in native_ids
    }


def thread_ids(pid: int) -> list[int]:
    """Return the kernel's ids of all threads of a process, ascending; none when it is gone."""
    try:
        return sorted(int(name) for name in os.listdir(f"/proc/{pid}/task"))
    except OSError:
        pass
    try:
        return sorted(thread.id for thread in psutil.Process(pid).threads())
    except psutil.Error:
        return []


def thread_name(pid: int, native_id: int) -> str:
    """Return the kernel's name of a thread, at most 15 letters, empty where it has none."""
    try:
        return read(f"/proc/{pid}/task/{native_id}/comm").decode(errors="replace").strip()
    except OSError:
        return ""


def family(pid: int) -> dict[int, int]:
    """Return a process and all that descend from it, each with its parent's id.

    Processes that only clean up after `multiprocessing` are left out: nothing works there.
    """
    try:
        first = psutil.Process(pid)
        everybody = [first, *first.children(recursive=True)]
    except psutil.Error:
        return {}
    found = {}
    for process in everybody:
        try:
            command = process.cmdline() if process is not first else []
            if not any("resource_tracker import main" in word for word in command):
                found[process.pid] = process.ppid()
        except psutil.Error:
            continue
    return found


def program(pid: int) -> tuple[str, str]:
    """Return (the script or module that a Python process runs, the version of its interpreter).

    The version is that in the name of the executable, such as 3.11, empty where it has none.
    """
    try:
        process = psutil.Process(pid)
        command = process.cmdline()
    except psutil.Error:
        return "", ""
    try:
        executable = process.exe()
    except psutil.Error:
        executable = command[0] if command else ""
    version = re.search(r"python(\d+\.\d+)", os.path.basename(executable))
    return _script(command), version[1] if version else ""


def _script(command: list[str]) -> str:
    words = iter(command[1:])
    for word in words:
        if word == "-c":
            return word  # a program's whole text is no name
        if word == "-m":
            return f"-m {next(words, '')}"
        if word in ("-W", "-X", "--check-hash-based-pycs"):
            next(words, None)
        elif not word.startswith("-"):
            return word
    return command[0] if command else ""


def process_exists(pid: int) -> bool:
    """Say whether a process with this id runs (a zombie does not)."""
    try:
        return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
    except psutil.Error:
        return False


def user(pid: int) -> int:
    """Return the user whom a process belongs to, -1 when it is gone."""
    try:
        return int(psutil.Process(pid).uids().real)
    except (psutil.Error, ValueError):
        return UNKNOWN


def is_stopped(pid: int) -> bool:
    """Say whether a process has been stopped, by a signal or a debugger."""
    try:
        return psutil.Process(pid).status() in (psutil.STATUS_STOPPED, psutil.STATUS_TRACING_STOP)
    except psutil.Error:
        return False


def started_at(pid: int) -> float:
    """Return when the process began, in seconds of the wall clock; now when it is gone."""
    try:
        return float(psutil.Process(pid).create_time())
    except psutil.Error:
        return time()


def beginning(pid: int) -> float:
    """Return what tells a process from an earlier one of the same id: when it began, in any unit.

    Field 22 of ``/proc/PID/stat`` (proc(5)), elsewhere its creation time; -1 when it is gone.
    """
    try:
        return int(read(f"/proc/{pid}/stat").rpartition(b")")[2].split()[19])
    except (OSError, ValueError, IndexError):
        pass
    try:
        return float(psutil.Process(pid).create_time())
    except psutil.Error:
        return UNKNOWN


def cores_by_affinity(pid: int) -> int:
    """Return how many cores the process may run on by its affinity, 0 when it is gone."""
    try:
        return len(os.sched_getaffinity(pid))
    except (AttributeError, OSError):
        return psutil.cpu_count() or 0
