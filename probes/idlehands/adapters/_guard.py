"""How every hook of an adapter handles an error, see `idlehands._guard`.

A hook runs in the middle of a call of the job's. An exception inside it comes here: the record of
the one pool is switched off, one warning is logged, and the job's call goes on.
"""

from __future__ import annotations

import sys
import threading
from threading import get_ident
from typing import Any

from .._guard import is_for_the_job
from .._job_objects import reason_of
from .._notes import warn

FRAMES_OF_A_HOOK = 50
"""No hook calls deeper than this."""
_warned: set[str] = set()


def failed(pool: Any, error: Exception) -> None:
    """Handle the error of a hook; `pool` is the pool that it recorded, None where it knew none.

    Raises the error again if it was meant for the job. A stack that the job has filled is no fault
    of the hook's.
    """
    if is_for_the_job(error):
        raise error
    try:
        if type(error) is RecursionError and _stack_is_full():
            return
        if pool is None:
            warn_once("what a pool does is not recorded: %s", reason_of(error))
        else:
            pool.failed(error)
    except Exception:  # noqa: S110 - a stack that is full, or no memory: nothing is left to do
        pass


def _stack_is_full() -> bool:
    frame, depth = sys._getframe().f_back, 0
    while frame is not None:
        frame, depth = frame.f_back, depth + 1
    return depth > sys.getrecursionlimit() - FRAMES_OF_A_HOOK


def warn_once(message: str, *arguments: object) -> None:
    """Log a warning the first time that it comes."""
    text = message % arguments
    if text not in _warned:
        _warned.add(text)
        warn("%s", text)


def threads_are_replaced() -> bool:
    """Return whether threads have been replaced by something with other identifiers."""
    return threading.get_ident is not get_ident
