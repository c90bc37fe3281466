"""What every hook of an adapter does with an error, see `idlehands._guard`.

A hook runs in the middle of a call of the job's. Whatever raises inside it is given here: the
record of the one pool is switched off, one warning says so, and the job's call goes on.
"""

from __future__ import annotations

import threading
from threading import get_ident
from typing import Any

from .._guard import is_for_the_job
from .._names import reason_of
from .._notes import warn

_said: set[str] = set()


def failed(pool: Any, error: Exception) -> None:
    """Take in the error of a hook; `pool` is the one that it recorded, None where it knew none.

    Raises what was meant for the job.
    """
    if is_for_the_job(error):
        raise error
    try:
        if pool is None:
            say_once("what a pool does is not recorded: %s", reason_of(error))
        else:
            pool.failed(error)
    except Exception:  # noqa: S110 - a stack that is full, or no memory: nothing is left to say
        pass


def say_once(message: str, *arguments: object) -> None:
    """Log a warning the first time that it comes."""
    said = message % arguments
    if said not in _said:
        _said.add(said)
        warn("%s", said)


def threads_are_replaced() -> bool:
    """Say whether threads have become something else since, whose identifiers are others."""
    return threading.get_ident is not get_ident
