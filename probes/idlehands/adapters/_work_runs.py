"""How a thread pool's tasks are run: the hot path of `thread_pool` in the worker's thread.

A task is a ``_WorkItem`` of the library's (CPython, Lib/concurrent/futures/thread.py, 3.9 to 3.15)
with its token as an attribute. Items of any other class are left alone: nothing of them is read or
recorded.
"""

from __future__ import annotations

import sys
from concurrent.futures import Future
from threading import get_ident
from time import monotonic_ns, thread_time_ns
from typing import Any, Callable

from .._job_objects import attributes_of
from .._packed_rows import pack_task
from .._raised import count, error_in
from .._rings import Row, Token
from .._shared import SharedPool
from .._shared_worker import SKIPPED, SharedWorker, cpu_readers, workers
from .._tables import CANCELLED, FAILED, FETCHING, FINISHED, INBOX, NONE, PARKED
from ._guard import failed
from ._known import is_known, stand_in
from ._run_sources import (
    CALL,
    CALL_IN_CONTEXT,
    KNOWN_RUN,
    NEVER_NEEDED_AT_FIRST,
    RECORDING_RUN,
    with_constants,
)
from ._work_items import function_of, has_context

THINNED = -2
"""Marks a recorded task of a thinned pool."""
thinned: dict[int, Any] = {}
"""The reporters of the queues that may hold items that are only counted, by their identity."""


class Nobody:
    """Stands in for a worker where nothing is recorded."""

    def __init__(self) -> None:
        self.pool: SharedPool | None = None
        self.token: Token | None = None
        self.started = self.after = self.skipped = self.written = self.mask = 0
        self.packed: bytearray | None = None
        self.slots: list[Row | None] = [None]
        self.cpu_kinds: set[int] = set()


nobody = Nobody()


class Runs:
    """The ways to run an item: `careful` checks all that `quick` need not check at first."""

    def __init__(self, item: Any, joined_worker: Callable[[], SharedWorker]) -> None:
        """Take the class of the items, and the function that makes the calling thread a worker."""
        self._item = item
        self._joined_worker = joined_worker
        theirs = item.run
        known, ours, call = KNOWN_RUN, RECORDING_RUN, CALL
        if has_context(item):
            call = CALL_IN_CONTEXT
            known, ours = (
                text.replace(CALL, call).replace("(self):", "(self, ctx):", 1)
                for text in (known, ours)
            )
        if is_known(theirs, known):
            names = self._names()
            self.careful: Any = stand_in(theirs, known, with_constants(ours), (call, call), names)
            for text, instead in NEVER_NEEDED_AT_FIRST.items():
                ours = ours.replace(text, instead)
            self.quick: Any = stand_in(theirs, known, with_constants(ours), (call, call), names)
        else:
            self.careful = self.quick = _wrapped(theirs, item, joined_worker)

    def hook(self) -> None:
        """Have items run as quickly as possible."""
        runs: Runs = self
        item: Any = self._item

        def subclassed(cls: Any, /, **named: Any) -> None:
            runs.be_careful()
            super(item, cls).__init_subclass__(**named)

        item.run = self.careful if type.__subclasses__(item) else self.quick
        item.__init_subclass__ = classmethod(subclassed)

    def be_careful(self) -> None:
        """From now on make all checks."""
        self._item.run = self.careful

    def be_quick(self) -> None:
        """Make only the necessary checks again, where no pool is thinned and no class derives."""
        item = self._item
        if thinned or type.__subclasses__(item) or vars(item).get("run") is not self.careful:
            return
        item.run = self.quick
        if type.__subclasses__(item):  # derived in between
            self.be_careful()

    def _names(self) -> dict[str, Any]:
        return {
            "SKIPPED": SKIPPED,
            "clock": monotonic_ns,
            "dropped": dropped,
            "end_idle_interval": end_idle_interval,
            "hook_failed": hook_failed,
            "ident": get_ident,
            "known_item": self._item,
            "late": late,
            "marked": marked,
            "joined_worker": self._joined_worker,
            "nobody": nobody,
            "pack_task": pack_task,
            "present": workers,
            "raised": raised,
            "readers": cpu_readers,
            "thinned": thinned,
            "unmarked": unmarked,
        }


def dropped(item: Any) -> None:
    """Record a task that had been cancelled when its turn came."""
    worker = workers.get(get_ident())
    try:
        token = attributes_of(item).get("idlehands")
        if worker is None or token is None:
            return
        if token is SKIPPED:
            worker.skipped += 1
        else:
            worker.pool.cancelled(token)
    except Exception as error:
        hook_failed(worker, error)


def late(worker: SharedWorker, item: Any) -> tuple[Any, Any]:
    """Return (who runs it, a token) for a task that was queued before the probe was there.

    `nobody` runs it where the worker's pool is not recorded.
    """
    if worker.pool.off or worker.pool.number < 0:
        return nobody, SKIPPED
    return worker, worker.unseen(function_of(item))


def marked(worker: SharedWorker, token: Any) -> int:
    """Return where the thread's CPU clock stands if the task's CPU time is read, -1 otherwise.

    In a thinned pool end the idle interval before this task, and return `THINNED`.
    """
    if worker.after:
        end_idle_interval(worker)
    if worker.pool.every:
        return THINNED
    return thread_time_ns() if token[2] in worker.cpu_kinds else NONE


def unmarked(worker: SharedWorker, mark: int, ended: int) -> int:
    """Return the CPU time since `mark`, -1 where it is not read."""
    if mark != THINNED:
        return thread_time_ns() - mark
    worker.after, worker.after_state = ended, PARKED if worker.pool.is_empty() else FETCHING
    return NONE


def end_idle_interval(worker: SharedWorker) -> None:
    """Record the idle interval after the last recorded task, for those after the counted ones."""
    worker.idle_intervals.put((worker.after, monotonic_ns(), worker.after_state, 0, NONE, NONE))
    worker.after = 0


def raised(worker: SharedWorker, mark: int) -> None:
    """Record a task that raised."""
    try:
        token = worker.open_token
        if token is not None:
            ended = monotonic_ns()
            cpu = unmarked(worker, mark, ended) if mark != NONE else NONE
            worker.put((token, worker.started, ended, INBOX, cpu, FAILED))
            count(worker.errors, token[2], sys.exc_info()[0] or BaseException)
    except Exception as error:
        hook_failed(worker, error)


def hook_failed(worker: Any, error: Exception) -> Nobody:
    """Handle an error of the recording in `run`; from there on `nobody` runs the task."""
    failed(worker.pool, error)
    return nobody


def _wrapped(theirs: Any, known_item: type, joined_worker: Callable[[], SharedWorker]) -> Any:
    """Return a `run` that records around one that is not known."""

    def run(self: Any, *context: Any) -> None:
        worker: Any = nobody
        try:
            if type(self) is known_item:
                worker = workers.get(get_ident()) or joined_worker()
                token = attributes_of(self).get("idlehands")
                if token is None:
                    worker, token = late(worker, self)
                if worker is not nobody:
                    worker.running(token)
        except Exception as error:
            worker = hook_failed(worker, error)
        theirs(self, *context)
        if worker is not nobody:
            try:
                worker.finished(*_outcome(attributes_of(self).get("future")))
            except Exception as error:
                hook_failed(worker, error)
        # A traceback may keep this frame alive, and must not keep the task alive with it.
        self = None

    return run


def _outcome(future: Any) -> tuple[int, type[BaseException] | None]:
    if type(future) is not Future:
        return FINISHED, None
    if future._exception is not None:
        return FAILED, error_in(future._exception)
    return FINISHED if future._state == "FINISHED" else CANCELLED, None
