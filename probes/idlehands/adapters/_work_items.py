"""Where a thread pool's tasks are queued and run: the hot paths of `thread_pool`.

A task is a ``_WorkItem`` of the library's (CPython, Lib/concurrent/futures/thread.py, 3.9 to 3.15),
and bears its token as an attribute. Items of any other class are left alone: they are not asked for
anything, and not recorded.
"""

from __future__ import annotations

import re
from concurrent.futures import Future
from threading import get_ident
from time import monotonic_ns, thread_time_ns
from types import FunctionType
from typing import Any, Callable

from .._names import attributes_of
from .._shared import SharedPool
from .._shared_worker import SKIPPED, SharedWorker, cpu_readers, workers
from .._tables import CANCELLED, FAILED, FETCHING, FINISHED, INBOX, NONE, PARKED
from .._words import SPAWN_BYTES, TASK_BYTES, pack_spawn, pack_task
from ._guard import failed
from ._known import is_known, stand_in

CALL = "result = self.fn(*self.args, **self.kwargs)"
CALL_IN_CONTEXT = "result = ctx.run(self.task)"
Put = Callable[..., None]

THINNED = -2
"""Marks a recorded task of a pool most of whose tasks are only counted."""
thinned: dict[int, Any] = {}
"""The queues of such pools, by their identity: empty most of the time."""

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
    worker, mark = None, NONE
    try:
        try:
            if type(self) is known_item:
                try:
                    worker = present[ident()]
                except KeyError:
                    worker = newcomer()
                try:
                    token = self.idlehands
                except AttributeError:
                    token = token_of_late(worker, self)
                if token is SKIPPED:
                    if worker.after:
                        gap_ends(worker)
                    worker.skipped += 1
                    worker = None
                else:
                    if readers or thinned:
                        mark = marked(worker, token)
                    worker.started = started = clock()
                    worker.token = token
        except Exception as error:
            hook_failed(worker, error)
            worker = None
        result = self.fn(*self.args, **self.kwargs)
    except BaseException as exc:
        try:
            if worker is not None:
                raised(worker, token, started, mark)
        finally:
            self.future.set_exception(exc)
        # As theirs: break a reference cycle with the exception.
        self = None
    else:
        try:
            if worker is not None:
                ended = clock()
                if mark != NONE:
                    mark = unmarked(worker, mark, ended)
                number = worker.written
                words = worker.words
                if words is None:
                    worker.slots[number & worker.mask] = (
                        token, started, ended, INBOX, mark, FINISHED
                    )
                else:  # what `TaskRing.put` does, without the calls
                    task, parent, kind, spawned, by, size = token
                    pack_task(
                        words, (number & worker.mask) * TASK_BYTES, number + 1,
                        task, parent, kind, spawned, by, size,
                        started, ended, INBOX, mark, FINISHED,
                    )
                worker.written = number + 1
        except Exception as error:
            hook_failed(worker, error)
        finally:
            self.future.set_result(result)
"""
"""`KNOWN_RUN` with the recording in it."""


def telling_run(theirs: Any, item: type, newcomer: Callable[[], SharedWorker]) -> Any:
    """Return a `run` that records, for the one that the class `item` has.

    `newcomer` makes the calling thread a worker. A `run` that is not known here is wrapped.
    """
    # As they are, which spares the hot path looking them up.
    constants = {"NONE": NONE, "INBOX": INBOX, "FINISHED": FINISHED, "TASK_BYTES": TASK_BYTES}
    recording = re.sub(
        r"\b(NONE|INBOX|FINISHED|TASK_BYTES)\b", lambda word: str(constants[word[0]]), RECORDING_RUN
    )
    names = {
        "SKIPPED": SKIPPED,
        "clock": monotonic_ns,
        "dropped": dropped,
        "gap_ends": gap_ends,
        "hook_failed": hook_failed,
        "ident": get_ident,
        "known_item": item,
        "marked": marked,
        "newcomer": newcomer,
        "pack_task": pack_task,
        "present": workers,
        "raised": raised,
        "readers": cpu_readers,
        "thinned": thinned,
        "token_of_late": token_of_late,
        "unmarked": unmarked,
    }
    if is_known(theirs, KNOWN_RUN):
        return stand_in(theirs, KNOWN_RUN, recording, (CALL, CALL), names)
    known, ours = (text.replace(CALL, CALL_IN_CONTEXT) for text in (KNOWN_RUN, recording))
    known, ours = (text.replace("(self):", "(self, ctx):", 1) for text in (known, ours))
    if is_known(theirs, known):
        return stand_in(theirs, known, ours, (CALL_IN_CONTEXT,) * 2, names)
    return _wrapped(theirs, item, newcomer)


def function_of(item: Any) -> Any:
    """Return the callable of a work item."""
    names = attributes_of(item)
    task = names.get("task")
    if type(task) is tuple and task:
        return task[0]
    return names.get("fn", task)


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


def token_of_late(worker: SharedWorker, item: Any) -> Any:
    """Return a token for a task that was queued before the probe was there, or is in no record."""
    if worker.pool.off or worker.pool.number < 0:
        return SKIPPED
    return worker.unseen(function_of(item))


def marked(worker: SharedWorker, token: Any) -> int:
    """Return where the thread's CPU clock stands if the task's CPU time is read, -1 otherwise.

    In a pool most of whose tasks are only counted, end the gap before this one, and return -2.
    """
    if worker.after:
        gap_ends(worker)
    if worker.pool.every:
        return THINNED
    return thread_time_ns() if token[2] in worker.cpu_kinds else NONE


def unmarked(worker: SharedWorker, mark: int, ended: int) -> int:
    """Return the CPU time since `mark`, -1 where it is not read."""
    if mark != THINNED:
        return thread_time_ns() - mark
    worker.after, worker.after_state = ended, PARKED if worker.pool.is_empty() else FETCHING
    return NONE


def gap_ends(worker: SharedWorker) -> None:
    """Record the gap behind the last recorded task, for those behind the tasks only counted."""
    worker.gaps.put((worker.after, monotonic_ns(), worker.after_state, 0, NONE, NONE))
    worker.after = 0


def raised(worker: SharedWorker, token: Any, started: int, mark: int) -> None:
    """Record a task that raised."""
    try:
        ended = monotonic_ns()
        cpu = unmarked(worker, mark, ended) if mark != NONE else NONE
        worker.put((token, started, ended, INBOX, cpu, FAILED))
    except Exception as error:
        hook_failed(worker, error)


def hook_failed(worker: SharedWorker | None, error: Exception) -> None:
    """Take in an error of the recording in `run`."""
    failed(None if worker is None else worker.pool, error)


def _wrapped(theirs: Any, known_item: type, newcomer: Callable[[], SharedWorker]) -> Any:
    """Return a `run` that records around one that is not known."""

    def run(self: Any, *context: Any) -> None:
        worker = None
        try:
            if type(self) is known_item:
                worker = workers.get(get_ident()) or newcomer()
                token = attributes_of(self).get("idlehands") or token_of_late(worker, self)
                worker.running(token)
        except Exception as error:
            hook_failed(worker, error)
        theirs(self, *context)
        if worker is not None:
            try:
                worker.finished(_outcome(attributes_of(self).get("future")))
            except Exception as error:
                hook_failed(worker, error)
        # An exception's traceback may keep this frame, and must not keep the task with it.
        self = None

    return run


def _outcome(future: Any) -> int:
    if type(future) is not Future:
        return FINISHED
    if future._exception is not None:
        return FAILED
    return FINISHED if future._state == "FINISHED" else CANCELLED


def telling_put(pool: SharedPool, put: Put, known_item: Any) -> Put:
    """Return the hot path where a task is queued; the executor's lock makes it one at a time."""
    spawns, kind_known, clock, ident = pool.spawns, pool.known.get, monotonic_ns, get_ident
    slots, mask = spawns.slots, spawns.mask
    in_context = has_context(known_item)
    last: Any = pool  # most tasks call what the one before called
    kind: Any = NONE

    def put_with_token(item: Any, block: bool = True, timeout: float | None = None) -> None:
        nonlocal last, kind
        if type(item) is known_item:
            try:
                function = function_of(item) if in_context else item.fn
                if function is not last:
                    last = pool
                    kind = kind_known(id(function))
                    if kind is None:
                        kind = pool.kind_of(function)
                    else:
                        last = function
                task = spawns.next_number()
                words = spawns.words
                if words is None:
                    token = slots[task & mask] = (task, NONE, kind, clock(), ident(), NONE)
                else:
                    now = clock()
                    token = task, NONE, kind, now, ident(), NONE
                    pack_spawn(words, (task & mask) * SPAWN_BYTES, task | mask, now)
                item.idlehands = token
            except Exception as error:
                failed(pool, error)
        if timeout is None and block is True:
            put(item)
        else:
            put(item, block, timeout)

    return put_with_token


def sampling_put(pool: SharedPool, put: Put, known_item: Any) -> Put:
    """Return the same for a pool that gives up detail: most tasks are only counted."""
    spawns = pool.spawns

    def put_counted(item: Any, block: bool = True, timeout: float | None = None) -> None:
        if type(item) is known_item:
            try:
                task = pool.last_number = spawns.next_number()
                if task & pool.every:
                    item.idlehands = SKIPPED
                else:
                    item.idlehands = pool.token(task, pool.kind_of(function_of(item)))
            except Exception as error:
                failed(pool, error)
        put(item, block, timeout)

    return put_counted


def has_context(item: type) -> bool:
    """Say whether the class's items run in a context, as from Python 3.14 on."""
    made: Any = vars(item).get("__init__")
    return type(made) is FunctionType and "fn" not in made.__code__.co_varnames
