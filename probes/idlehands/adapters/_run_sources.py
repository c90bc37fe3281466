"""The sources of `_WorkItem.run`: the library's, and the two that record (see `_work_runs`).

A task is a ``_WorkItem`` of the library's (CPython, Lib/concurrent/futures/thread.py, 3.9 to 3.15).
The recording ones do what the library's does, line by line, so that tracebacks read the same.
"""

from __future__ import annotations

import re

from .._packed_rows import TASK_BYTES
from .._tables import FINISHED, INBOX, NONE

CALL = "result = self.fn(*self.args, **self.kwargs)"
CALL_IN_CONTEXT = "result = ctx.run(self.task)"

KNOWN_RUN = """
def run(self):
    if not self.future.set_running_or_notify_cancel():
        return

    try:
        result = self.fn(*self.args, **self.kwargs)
    except BaseException as exc:
        self.future.set_exception(exc)
        # Break a reference cycle with the exception 'exc'
        self = None
    else:
        self.future.set_result(result)
"""
"""`_WorkItem.run` of CPython 3.9 to 3.13; that of 3.14 and 3.15 runs the task in a context."""

RECORDING_RUN = """
def run(self):
    if not self.future.set_running_or_notify_cancel():
        dropped(self)
        return
    worker, mark = nobody, NONE
    try:
        try:
            if type(self) is known_item:
                try:
                    worker = present[ident()]
                except KeyError:
                    worker = joined_worker()
                try:
                    token = self.idlehands
                except AttributeError:
                    worker, token = late(worker, self)
                if token is SKIPPED:
                    if worker.after:
                        end_idle_interval(worker)
                    worker.skipped += 1
                    worker = nobody
                else:
                    if readers or thinned:
                        mark = marked(worker, token)
                    worker.started = started = clock()
                    worker.token = token
        except RecursionError:  # a full stack: the task is run all the same
            worker, token, started = nobody, SKIPPED, 0
        except Exception as error:
            worker, token, started = hook_failed(worker, error), SKIPPED, 0
        result = self.fn(*self.args, **self.kwargs)
    except BaseException as exc:
        try:
            if worker.pool is not None:
                raised(worker, mark)
        except RecursionError:
            pass
        finally:
            self.future.set_exception(exc)
        # As theirs: break a reference cycle with the exception.
        self = None
    else:
        try:
            if worker is not nobody:
                ended = clock()
                if mark != NONE:
                    mark = unmarked(worker, mark, ended)
                number = worker.written
                packed = worker.packed
                if packed is None:
                    worker.slots[number & worker.mask] = (
                        token, started, ended, INBOX, mark, FINISHED
                    )
                else:  # what `TaskRing.put` does, without the calls
                    task, parent, kind, spawned, by, size = token
                    pack_task(
                        packed, (number & worker.mask) * TASK_BYTES, number + 1,
                        task, parent, kind, spawned, by, size,
                        started, ended, INBOX, mark, FINISHED,
                    )
                worker.written = number + 1
        except RecursionError:
            pass
        except Exception as error:
            hook_failed(worker, error)
        finally:
            self.future.set_result(result)
"""
"""`KNOWN_RUN` with the recording in it."""

NEVER_NEEDED_AT_FIRST = {
    "type(self) is known_item": "True",
    "token is SKIPPED": "False",
    "readers or thinned": "readers",
    "worker is not nobody": "True",
}
"""The checks of `RECORDING_RUN` that are not needed as long as no class derives from that of the
items and no pool is thinned, and what replaces them. The compiler leaves out the dead branches."""


def with_constants(source: str) -> str:
    """Return a source with its constants written out, which spares the hot path their look-up."""
    numbers = {"NONE": NONE, "INBOX": INBOX, "FINISHED": FINISHED, "TASK_BYTES": TASK_BYTES}
    return re.sub(rf"\b({'|'.join(numbers)})\b", lambda name: str(numbers[name[0]]), source)
