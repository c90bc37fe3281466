"""Which threads run the job's own code, and so can be workers of a queue."""

from __future__ import annotations

import os
import sysconfig
import threading
from threading import get_ident
from types import FunctionType

from .._job_objects import attributes_of, defined, text
from .._names import unwrapped
from ._guard import threads_are_replaced
from ._places import POOL_PACKAGES
from .external import is_helper

LIBRARY = sysconfig.get_path("stdlib") + os.sep


class _Here(threading.local):
    """What is known of the calling thread: whether it can be a worker of a queue."""

    is_stranger = False
    is_the_jobs = False


here = _Here()


def is_one_of_the_jobs() -> bool:
    """Return whether the calling thread runs code of the job's; asked once a thread."""
    if not here.is_the_jobs:
        # Not `current_thread`: for a thread that Python did not start that makes a new object.
        thread = threading._active.get(get_ident())  # type: ignore[attr-defined]
        if thread is None or thread is threading.main_thread() or not runs_the_jobs_code(thread):
            here.is_stranger = True
            return False
        here.is_the_jobs = True
    return True


def runs_the_jobs_code(thread: threading.Thread) -> bool:
    """Return whether a thread's function is the job's, not the library's or a pool's."""
    target = attributes_of(thread).get("_target")
    if target is None:
        target = defined(type(thread), "run")
    target = unwrapped(target)
    if type(target) is not FunctionType:
        target = defined(type(target), "__call__")
    if type(target) is not FunctionType or threads_are_replaced():
        return False
    path, module = text(target.__code__.co_filename), text(target.__module__)
    if is_helper(module):
        return False
    package = module.partition(".")[0]
    library = path.startswith(LIBRARY) and "site-packages" not in path
    return package not in POOL_PACKAGES and not library
