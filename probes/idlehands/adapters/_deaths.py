"""Which worker process ended first where that breaks an executor, and how it ended.

The executor itself ends all others a moment later (CPython, Lib/concurrent/futures/process.py,
`terminate_broken`), so this runs before, in the executor's own thread. It calls the library's
process objects as the library does: they keep the status that they find.
"""

from __future__ import annotations

import sys
from time import monotonic, sleep
from typing import Any

from .._job_objects import attributes_of

STARTERS = ("fork", "spawn_posix", "forkserver")
"""Modules of `multiprocessing` whose `Popen` knows the status of a process."""
STATUS_SECONDS = 0.05
"""The longest wait for a status. The end of a process is noticed by its descriptors, and it closes
these just before it has a status."""
PAUSE_SECONDS = 0.001

Death = tuple[int, int]
"""(process id, exit status, or the negative number of the signal)."""


def first_deaths(processes: Any) -> list[Death]:
    """Return those of an executor's processes, by id, that have ended by now; mostly it is one."""
    modules = [sys.modules.get(f"multiprocessing.popen_{name}") for name in STARTERS]
    known = [vars(module)["Popen"] for module in modules if module is not None]
    started = [attributes_of(one).get("_popen") for one in tuple(dict.values(processes))]
    asked: list[Any] = [one for one in started if any(type(one) is cls for cls in known)]
    deadline = monotonic() + STATUS_SECONDS
    while True:
        for one in asked:
            one.poll()
        dead = [(one.pid, one.returncode) for one in asked if type(one.returncode) is int]
        if dead or not asked or monotonic() >= deadline:
            return dead
        sleep(PAUSE_SECONDS)
