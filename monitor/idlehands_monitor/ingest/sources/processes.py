"""Counters of whole processes, from the kernel, once a second.

Resident memory comes from psutil. What psutil lacks, or has of the main thread only,
comes from ``/proc``: page faults and block I/O delay from ``stat``, context switches from each
thread's ``status`` (proc(5)). Block I/O delay counts only where ``kernel.task_delayacct`` is on
(kernel documentation, accounting/delay-accounting.rst), else it is unknown, not 0.
"""

from __future__ import annotations

import os
from time import monotonic_ns, time
from typing import TYPE_CHECKING

import psutil

from .control_group import ControlGroups
from .host import UNKNOWN, cores_by_affinity, started_at
from .kernel_files import read

if TYPE_CHECKING:
    from collections.abc import Sequence

    from idlehands.wire import Frame

Switches = list[int]
"""One thread: voluntary switches, involuntary ones, ns waited for block I/O; -1 where unknown."""

MOST_PROCESSES = 64
"""Processes sampled in one round; more of them take turns."""
MOST_THREADS = 512
"""With more threads a process's switches stay unknown: each thread has a file to read."""
VOLUNTARY, NONVOLUNTARY = b"\nvoluntary_ctxt_switches:", b"\nnonvoluntary_ctxt_switches:"
MINOR_FAULTS, MAJOR_FAULTS, BLOCK_IO_DELAY = 10, 12, 42
"""Fields of ``stat`` as proc(5) numbers them, from 1."""


def sample(pids: Sequence[int], root: str = "/") -> tuple[list[Frame], dict[int, Switches]]:
    """Return a ``process`` frame for each process, and the switches of threads by native id.

    Ended processes are left out.
    """
    groups = ControlGroups(root)
    counts_delay = delays_are_counted(root)
    frames, switches = [], {}
    for pid in pids:
        threads = _threads(f"{root}/proc/{pid}/task", counts_delay=counts_delay)
        frame = _frame(pid, groups, threads, root)
        if frame is not None:
            frames.append(frame)
            switches.update(threads)
    return frames, switches


def in_turn(pids: Sequence[int], turn: int) -> Sequence[int]:
    """Return those of `pids` whose turn it is, at most `MOST_PROCESSES`."""
    rounds = max(1, -(-len(pids) // MOST_PROCESSES))
    return pids[turn % rounds :: rounds]


def delays_are_counted(root: str = "/") -> bool:
    """Return whether the kernel counts how long threads wait for block I/O."""
    try:
        return read(f"{root}/proc/sys/kernel/task_delayacct").strip() == b"1"
    except OSError:
        return False


def thread_switches(folder: str, *, counts_delay: bool) -> Switches | None:
    """Return the counters in a folder ``/proc/PID/task/TID``, None if the thread has ended."""
    try:
        status = read(f"{folder}/status")
        voluntary, nonvoluntary = _number(status, VOLUNTARY), _number(status, NONVOLUNTARY)
        waited = stat_fields(folder, BLOCK_IO_DELAY)[0] if counts_delay else UNKNOWN
    except (OSError, ValueError, IndexError):
        return None
    if waited >= 0:
        waited = waited * 1_000_000_000 // os.sysconf("SC_CLK_TCK")
    return [voluntary, nonvoluntary, waited]


def _number(status: bytes, name: bytes) -> int:
    """Return the number after a name in a file of lines, -1 where it is missing."""
    _, found, rest = status.rpartition(name)
    return int(rest.partition(b"\n")[0]) if found else UNKNOWN


def stat_fields(folder: str, *numbers: int) -> list[int]:
    """Return fields of ``stat`` by their number in proc(5), 3 and up.

    The second field is the command's name in brackets, which may hold brackets and blanks.
    Raises OSError, ValueError, IndexError.
    """
    fields = read(f"{folder}/stat").rpartition(b")")[2].split()
    return [int(fields[number - 3]) for number in numbers]


def _threads(folder: str, *, counts_delay: bool) -> dict[int, Switches]:
    try:
        names = os.listdir(folder)
    except OSError:
        return {}
    if len(names) > MOST_THREADS:
        return {}
    found = {}
    for name in names:
        switches = thread_switches(f"{folder}/{name}", counts_delay=counts_delay)
        if switches is not None:
            found[int(name)] = switches
    return found


def _frame(
    pid: int, groups: ControlGroups, threads: dict[int, Switches], root: str
) -> Frame | None:
    at_ns = monotonic_ns()
    try:
        resident = int(psutil.Process(pid).memory_info().rss)
    except (psutil.Error, ValueError):  # it has ended, or the number is not a process id
        return None
    try:
        minor, major = stat_fields(f"{root}/proc/{pid}", MINOR_FAULTS, MAJOR_FAULTS)
    except (OSError, ValueError, IndexError):
        minor = major = UNKNOWN
    affinity = cores_by_affinity(pid)
    limit = groups.cpu_limit(pid)
    voluntary, nonvoluntary, waited = (
        sum(counts) if counts and min(counts) >= 0 else UNKNOWN
        for counts in ([switches[place] for switches in threads.values()] for place in range(3))
    )
    return {
        "frame": "process",
        "at_ns": at_ns,
        "pid": pid,
        "resident_bytes": resident,
        "minor_faults": minor,
        "major_faults": major,
        "voluntary_switches": voluntary,
        "nonvoluntary_switches": nonvoluntary,
        "io_wait_ns": waited,
        "started_ns": at_ns - int((time() - started_at(pid)) * 1e9),
        "affinity": affinity,
        "usable_cores": min(float(affinity), limit.cores) if limit else float(affinity),
        "quota_cores": limit.cores if limit else float(UNKNOWN),
        "periods": limit.periods if limit else UNKNOWN,
        "throttled_periods": limit.throttled_periods if limit else UNKNOWN,
        "throttled_ns": limit.throttled_ns if limit else UNKNOWN,
        "memory_left_bytes": groups.memory_left(pid),
    }
