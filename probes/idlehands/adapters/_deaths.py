"""Which worker process ended first where that breaks an executor, and how it ended.

The executor ends all others itself a moment later (CPython, Lib/concurrent/futures/process.py,
`terminate_broken`), so this is asked before, in its own thread. The library's process objects are
asked as it asks them itself: what they find out stays known to them.
"""

from __future__ import annotations

import sys
from time import monotonic, sleep
from typing import Any

from .._names import attributes_of

STARTERS = ("fork", "spawn_posix", "forkserver")
"""Modules of `multiprocessing` whose `Popen` knows the status of a process."""
STATUS_SECONDS = 0.05
"""The longest that is waited for a status: a process closes its descriptors just before it has
one, and by these its end is noticed."""
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
