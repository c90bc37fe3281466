"""Counters of threads, from the kernel, for the watched process and no other.

Linux: `/proc/PID/task/TID/schedstat` (kernel documentation, scheduler/sched-stats.rst): time on
a core and time waiting in a run queue, in nanoseconds. Elsewhere psutil's CPU time of each thread;
it does not have the run queue.
"""

from __future__ import annotations

from time import monotonic_ns
from typing import TYPE_CHECKING

import psutil

from .host import UNKNOWN
from .kernel_files import read

if TYPE_CHECKING:
    from collections.abc import Iterable

    from idlehands.wire import Frame

    from .kernel_waits import KernelWaits


def sample(threads: Iterable[tuple[int, int]], waits: KernelWaits | None = None) -> Frame:
    """Return a ``host`` frame for threads, each (pid, kernel thread id); ended ones are left out.

    ``threads`` maps a kernel thread id to [on-core ns, run-queue ns], the latter -1 where the
    platform does not report it. ``moments`` maps it to the timestamp of its counters: this thread
    may lose its core between two reads. ``waits`` maps it to what it waited for then, read with
    `waits`. ``gone`` are the threads left out.
    """
    wanted = list(threads)
    found, timestamps, reasons = {}, {}, {}
    for pid, native_id in wanted:
        counted = _from_schedstat(pid, native_id)
        if counted is None:
            continue
        found[native_id], timestamps[native_id] = counted, monotonic_ns()
        wait = waits.of(pid, native_id) if waits is not None else None
        if wait is not None:
            reasons[native_id] = wait
    if not found:
        for pid in {pid for pid, _ in wanted}:
            found.update(_from_psutil(pid, {native for owner, native in wanted if owner == pid}))
    frame = {"frame": "host", "at_ns": monotonic_ns(), "threads": found, "moments": timestamps}
    frame["gone"] = sorted({native_id for _, native_id in wanted} - found.keys())
    return frame if waits is None else {**frame, "waits": reasons}


def _from_schedstat(pid: int, native_id: int) -> list[int] | None:
    try:
        counted = read(f"/proc/{pid}/task/{native_id}/schedstat")
        on_core, run_queue, _slices = counted.split()
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
