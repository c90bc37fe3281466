"""Host counters: what the kernel says of threads, for the watched process and no other.

Linux: `/proc/PID/task/TID/schedstat` (kernel documentation, scheduler/sched-stats.rst): time on
a core and time waiting on a run queue, in nanoseconds. Elsewhere psutil's per-thread CPU times,
which know no run queue.
"""

from __future__ import annotations

import os
from time import monotonic_ns, time
from typing import TYPE_CHECKING

import psutil

if TYPE_CHECKING:
    from collections.abc import Iterable

    from idlehands.wire import Frame

UNKNOWN = -1


def sample(pid: int, native_ids: Iterable[int]) -> Frame:
    """Return a ``host`` frame for the given threads of `pid`; threads that are gone are left out.

    ``threads`` maps a kernel thread id to [on-core ns, run-queue ns], the latter -1 where
    the platform does not say.
    """
    wanted = list(native_ids)
    threads = _from_schedstat(pid, wanted)
    if not threads and wanted:
        threads = _from_psutil(pid, set(wanted))
    return {"frame": "host", "at_ns": monotonic_ns(), "threads": threads}


def _from_schedstat(pid: int, native_ids: list[int]) -> dict[int, list[int]]:
    threads = {}
    for native_id in native_ids:
        try:
            with open(f"/proc/{pid}/task/{native_id}/schedstat", "rb") as file:
                on_core, run_queue, _slices = file.read().split()
        except (OSError, ValueError):
            continue
        threads[native_id] = [int(on_core), int(run_queue)]
    return threads


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


def process_exists(pid: int) -> bool:
    """Say whether a process with this id runs (a zombie does not)."""
    try:
        return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
    except psutil.Error:
        return False


def uptime_s(pid: int) -> float:
    """Return how long the process has run, 0 when it is gone."""
    try:
        return max(0.0, time() - float(psutil.Process(pid).create_time()))
    except psutil.Error:
        return 0.0


def usable_cores(pid: int) -> int:
    """Return how many cores the process may run on by its affinity, 0 when it is gone."""
    try:
        return len(os.sched_getaffinity(pid))
    except (AttributeError, OSError):
        return psutil.cpu_count() or 0
