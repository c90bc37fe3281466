"""The owner's side of executors whose workers are processes, and the hooking of their queues.

A task is queued when its number is put into the executor's queue of numbers, and cancelled when a
number taken from there leads to no call. The tokens in between are stored here, because the work
items of some executors have no room for them.
"""

from __future__ import annotations

import queue
import weakref
from collections import deque
from functools import partial
from typing import Any, Callable

from .._job_objects import attributes_of, is_set, reason_of, text, type_name, whole
from .._rings import Token
from .._slots_pool import SlotsPool
from ._calls import in_batch, in_chunk
from ._deaths import first_deaths
from ._guard import failed, warn_once
from ._instrumented import weakly
from ._places import made_at
from ._process_queues import is_queue_of, slots_pool

QUEUES = ("_call_queue", "_result_queue", "_work_ids")
REPORTER = "_idlehands"
FRAMES_OF_A_PUT = 6
"""`Queue.put` calls no deeper than this. If a full stack ended it half-way, a number would be left
without its task; and the instrumented queue adds a frame to the executor's own."""


def have_room(frames: int) -> None:
    """Raise RecursionError where the stack has no room for so many frames."""
    if frames:
        have_room(frames - 1)


class InstrumentedIds(queue.Queue):  # type: ignore[type-arg]
    """The queue of task numbers, inside the owner."""

    reporter: ExecutorReporter

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Hand in a task; all or nothing where the stack is almost full."""
        have_room(FRAMES_OF_A_PUT)
        self.reporter.handed_in(item)
        super().put(item, block, timeout)

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        """Take a task's number to send its call, or to drop it if it was cancelled."""
        self.reporter.settle()
        item = super().get(block, timeout)
        self.reporter.taken = item
        return item


class ExecutorReporter:
    """Reports for one executor, on the owner's side; holds the tokens of tasks not yet sent."""

    def __init__(self, executor: Any, kind: str, module: Any) -> None:
        self.executor: Callable[[], Any] = weakref.ref(executor)
        self.site = made_at()
        self.kind = kind
        self.module = module
        self.manager: Callable[[], Any] = _gone
        self.pool: SlotsPool | None = None
        self.tokens: dict[int, Token] = {}
        self.taken: int | None = None
        self.sent_last: deque[Token] = deque()

    def open_pool(self, executor: Any) -> None:
        """Declare the pool, and give its link to the queues that lead to its workers."""
        names = attributes_of(executor)
        workers = whole(names.get("_max_workers"))
        if workers is None:
            raise ValueError("how many workers it has is no whole number")
        self.pool = pool = slots_pool(self.site, self.kind, workers)
        pool.most_workers = max(pool.most_workers, workers)
        link = pool.link
        # As many as the pipe to the workers can hold: a pool that breaks drops them.
        self.sent_last = deque(maxlen=link.slots)
        names["_call_queue"].idlehands = names["_result_queue"].idlehands = link
        pool.unhook = weakly(self.unhook)
        pool.still_open = self.still_open
        pool.why_broken = partial(_why_broken, self.executor)
        pool.expose_depths(partial(_depths, self.tokens))

    def unhook(self) -> None:
        """Report no more."""
        self.pool = None

    def managed_by(self, thread: Any) -> None:
        """Note that the executor has started its processes, and now the thread that serves them.

        So the publisher starts from the submitter's thread, after the first forks.
        """
        self.manager = weakref.ref(thread)
        self.attachable()

    def broke(self) -> None:
        """Note that the executor is broken, and about to end the processes that are left."""
        try:
            processes = attributes_of(self.manager()).get("processes")
            if self.pool is not None and type(processes) is dict:
                self.pool.first_dead = first_deaths(processes)
                self.pool.revision += 1
                self.pool.refresh(at_once=True)  # their lifetimes end before those of the others
        except Exception as error:
            self.give_up(error)

    def attachable(self) -> None:
        """Start the publisher: from now on readers may attach."""
        if self.pool is not None and self.pool.on_bound is not None:
            self.pool.on_bound()

    def handed_in(self, work_id: int) -> None:
        """Note that a task was submitted."""
        try:
            executor = self.executor()
            if executor is None:
                return
            if self.pool is None:
                self.open_pool(executor)
            pending = attributes_of(executor).get("_pending_work_items")
            item: Any = pending.get(work_id) if type(pending) is dict else None
            if self.pool is not None and type(item) is self.module._WorkItem:
                kind, size = self.described(item.fn, item.args)
                self.tokens[work_id] = self.pool.queued(self.pool.kind_of(kind), size)
        except RecursionError:  # a full stack: the task is handed in all the same
            pass
        except Exception as error:
            self.give_up(error)

    def described(self, function: Any, arguments: Any) -> tuple[Any, int]:
        """Return (the callable a task is named for, its size)."""
        chunk = in_chunk(self.module._process_chunk, function, arguments)
        return chunk or in_batch(function, arguments)

    def sent(self, call: Any) -> None:
        """Note that a call goes to the worker processes."""
        try:
            token = self.tokens.pop(call.work_id, None)
            if token is not None and self.pool is not None:
                call.idlehands = token
                self.sent_last.append(token)
                self.taken = None
                self.attachable()
        except Exception as error:
            self.give_up(error)

    def settle(self) -> None:
        """Record the task taken last as cancelled, if no call was sent for it."""
        try:
            if self.taken is not None:
                token = self.tokens.pop(self.taken, None)
                self.taken = None
                if token is not None and self.pool is not None:
                    self.pool.cancelled(token)
        except Exception as error:
            self.give_up(error)

    def give_up(self, error: Exception) -> None:
        """Record no more: a hook has failed."""
        pool, self.pool = self.pool, None
        self.executor = _gone
        failed(pool, error)

    def still_open(self) -> bool:
        """Return whether the executor can still be used, or still runs what it has."""
        pool = self.pool
        if pool is None:
            return False
        if self._is_usable() or any(probe.joined_ns >= 0 for probe in pool.probes):
            return True
        if self._is_managed():
            return True
        with pool.rare:  # the job's thread may find the end as well, as it makes the next executor
            if self.pool is None:
                return False
            self.pool = None
        self._drop_what_never_ran(pool)
        return False

    # The executor and its thread are held no longer than these calls take: their end closes
    # descriptors by number, and is to come when the job lets go of them.

    def _is_usable(self) -> bool:
        executor = self.executor()
        if executor is None or is_shut_down(executor):
            return False
        return not _why_broken(self.executor)

    def _is_managed(self) -> bool:
        manager = self.manager()
        return manager is not None and manager.is_alive()

    def _drop_what_never_ran(self, pool: SlotsPool) -> None:
        """Record as cancelled the tasks that an ending executor has not run and will not run."""
        ran = pool.last_tasks()
        # Of a task that would have no row nobody knows whether it ran; nearly always it did.
        rows = [token for token in self.sent_last if not token[0] & pool.unrecorded]
        sent = [token for token in rows if token[0] not in ran]
        for token in (*sent, *self.tokens.values()):
            pool.cancelled(token)
        self.tokens.clear()
        self.sent_last.clear()


def _gone() -> None:
    """Return None, as a weak reference to a freed object does."""


def _depths(tokens: dict[int, Token]) -> tuple[int, tuple[int, ...]]:
    return len(tokens), ()


def _why_broken(reference: Callable[[], Any]) -> str:
    """Return the reason that an executor gives for being broken."""
    names = attributes_of(reference())
    broken: Any = attributes_of(names.get("_flags")).get("broken")
    if not is_set(broken):
        broken = names.get("_broken")
    if issubclass(type(broken), BaseException):
        return reason_of(broken)
    return text(broken) or ("broken" if is_set(broken) else "")


def is_shut_down(executor: Any) -> bool:
    """Return whether an executor takes no more tasks."""
    names = attributes_of(executor)
    flags = attributes_of(names.get("_flags"))
    return is_set(flags.get("shutdown", names.get("_shutdown_thread")))


class Executors:
    """Instruments the queues of a module's executors, once an executor has stored all of them."""

    def __init__(
        self, kind: str, module: Any, calls: tuple[type, type], results: tuple[type, type]
    ) -> None:
        """Take the known class of each queue and the class that replaces it."""
        self._kind = kind
        self._module = module
        self._classes = {
            "_call_queue": calls,
            "_result_queue": results,
            "_work_ids": (queue.Queue, InstrumentedIds),
        }

    def attributes(self) -> dict[str, Callable[[Any, Any], Any]]:
        """Return what to do with each attribute when it is stored."""
        hooks = {name: partial(self._queue_set, name) for name in QUEUES}
        return {**hooks, "_executor_manager_thread": _manager_set}

    def adopt(self, executors: Any) -> None:
        """Instrument executors that were made before; their present workers are not probed."""
        for executor in list(executors):
            self._instrument(executor, attributes_of(executor))

    def _queue_set(self, name: str, executor: Any, queue: Any) -> Any:
        self._instrument(executor, {**attributes_of(executor), name: queue})
        return queue

    def _instrument(self, executor: Any, names: dict[str, Any]) -> None:
        """Instrument the queues of an executor, if all are there and all are known."""
        queues: dict[str, Any] = {name: names.get(name) for name in QUEUES}
        if any(queue is None for queue in queues.values()):
            return
        for name, (known, ours) in self._classes.items():
            if type(queues[name]) is not ours and not is_queue_of(queues[name], known):
                names_of_types = type_name(type(executor)), type_name(type(queues[name]))
                warn_once(
                    "pools of class %s are not probed: a queue, a %s, is not known", *names_of_types
                )
                return
        reporter = names.get(REPORTER)
        if type(reporter) is not ExecutorReporter:
            reporter = attributes_of(executor)[REPORTER] = ExecutorReporter(
                executor, self._kind, self._module
            )
        for name, (_, ours) in self._classes.items():
            queues[name].__class__ = ours
        queues["_call_queue"].reporter = queues["_work_ids"].reporter = reporter


def _manager_set(executor: Any, thread: Any) -> Any:
    """Note that an executor starts the thread that serves its workers."""
    reporter = attributes_of(executor).get(REPORTER)
    if type(reporter) is ExecutorReporter:
        reporter.managed_by(thread)
    return thread


def broken_set(executor: Any, broken: Any) -> Any:
    """Note that an executor of the library breaks."""
    reporter = attributes_of(executor).get(REPORTER)
    if is_set(broken) and type(reporter) is ExecutorReporter:
        reporter.broke()
    return broken
