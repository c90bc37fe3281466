"""The one guard between the probe and the job.

Every hook runs inside ``try`` and hands the exception to `PoolProbe.failed`: the record of that one
pool is switched off, and the job's own call goes on. But between any two lines of a hook, code of
the job's can run and raise an exception that is meant for the job: a signal handler with a time
limit, a trace function, another thread (PyThreadState_SetAsyncExc). Such an exception is passed on
to the job. The probe itself calls nothing of the job's, so the exception's traceback shows which
sort it is.
"""

from __future__ import annotations

import os
import threading
from types import CodeType

PACKAGE = os.path.dirname(os.path.abspath(__file__)) + os.sep
LIBRARY = os.path.dirname(os.path.abspath(os.__file__)) + os.sep
OWN_ERRORS = ("builtins", "struct", "_struct", "idlehands")
"""The modules whose exceptions the probe's own lines can raise."""

own_threads: set[int] = set()
"""The probe's own threads: nothing that is raised there is for the job."""


def is_for_the_job(error: BaseException) -> bool:
    """Return whether code of the job's raised this in the middle of a hook."""
    if threading.get_ident() in own_threads:
        return False
    module = getattr(type(error), "__module__", "")
    if str(module).partition(".")[0] not in OWN_ERRORS:
        return True
    trace = error.__traceback__
    while trace is not None:
        if _is_the_jobs(trace.tb_frame.f_code):
            return True
        trace = trace.tb_next
    return False


def _is_the_jobs(code: CodeType) -> bool:
    path = code.co_filename
    if path.startswith((PACKAGE, "<frozen ")):
        return False
    return not path.startswith(LIBRARY) or "site-packages" in path
