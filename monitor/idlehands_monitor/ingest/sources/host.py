"""Facts about a process: its threads, children, program, user, age and cores.

Reads /proc on Linux, and psutil elsewhere.
"""

from __future__ import annotations

import os
import re
import time

import psutil

from .kernel_files import read

UNKNOWN = -1


def thread_ids(pid: int) -> list[int]:
    """Return the kernel's ids of all threads of a process, ascending; none if it has ended."""
    try:
        return sorted(int(name) for name in os.listdir(f"/proc/{pid}/task"))
    except OSError:
        pass
    try:
        return sorted(thread.id for thread in psutil.Process(pid).threads())
    except psutil.Error:
        return []


def thread_name(pid: int, native_id: int) -> str:
    """Return the kernel's name of a thread, at most 15 characters, empty where it has none."""
    try:
        return read(f"/proc/{pid}/task/{native_id}/comm").decode(errors="replace").strip()
    except OSError:
        return ""


def family(pid: int) -> dict[int, int]:
    """Return a process and all its descendants, each with its parent's id.

    Processes that only clean up after `multiprocessing` are left out: they run no tasks.
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
    """Return (script or module, version) of a Python process, each empty where not known.

    The version is the one in the name of the executable, such as 3.11.
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
            return word  # the text of a program is no name
        if word == "-m":
            return f"-m {next(words, '')}"
        if word in ("-W", "-X", "--check-hash-based-pycs"):
            next(words, None)
        elif not word.startswith("-"):
            return word
    return command[0] if command else ""


def process_exists(pid: int) -> bool:
    """Return whether a process with this id runs (a zombie does not)."""
    try:
        return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
    except psutil.Error:
        return False


def user(pid: int) -> int:
    """Return the user id of a process, -1 if it has ended."""
    try:
        return int(psutil.Process(pid).uids().real)
    except (psutil.Error, ValueError):
        return UNKNOWN


def is_stopped(pid: int) -> bool:
    """Return whether a process is stopped, by a signal or a debugger."""
    try:
        return psutil.Process(pid).status() in (psutil.STATUS_STOPPED, psutil.STATUS_TRACING_STOP)
    except psutil.Error:
        return False


def started_at(pid: int) -> float:
    """Return when the process began, in seconds of the wall clock; the present if it has ended.

    The kernel counts from the boot on a clock that also runs while the machine sleeps (proc(5);
    clock_gettime(2), CLOCK_BOOTTIME). psutil knows the second of the boot, and no part of it.
    """
    try:
        age = time.clock_gettime(time.CLOCK_BOOTTIME) - _ticks(pid) / os.sysconf("SC_CLK_TCK")
        return time.time() - age
    except (AttributeError, OSError, ValueError, IndexError):  # not on Linux, or it has ended
        pass
    try:
        return float(psutil.Process(pid).create_time())
    except psutil.Error:
        return time.time()


def _ticks(pid: int) -> int:
    """Return field 22 of ``/proc/PID/stat`` (proc(5)). Raises OSError, ValueError, IndexError."""
    return int(read(f"/proc/{pid}/stat").rpartition(b")")[2].split()[19])


def beginning(pid: int) -> float:
    """Return when a process began, in any unit; it distinguishes processes with the same id.

    The kernel's ticks since the boot, elsewhere the creation time; -1 if it has ended.
    """
    try:
        return _ticks(pid)
    except (OSError, ValueError, IndexError):
        pass
    try:
        return float(psutil.Process(pid).create_time())
    except psutil.Error:
        return UNKNOWN


def cores_by_affinity(pid: int) -> int:
    """Return how many cores the affinity of a process allows, 0 if it has ended."""
    try:
        return len(os.sched_getaffinity(pid))
    except (AttributeError, OSError):
        return psutil.cpu_count() or 0
