"""The owner's side of executors whose workers are processes, and the hooking of their queues.

A task is queued when its number is put into the executor's queue of numbers, and cancelled when a
number taken from there leads to no call. The tokens wait here in between, for the work items of
some executors have no room for them.
"""

from __future__ import annotations

import queue
import weakref
from collections import deque
from typing import Any, Callable

from .._board_pool import BoardPool
from .._names import unwrapped
from .._rings import Token
from .._tables import NONE
from ._process_queues import board_pool
from ._telling import made_at

CHUNK = "_process_chunk"
QUEUES = ("_call_queue", "_result_queue", "_work_ids")


class TellingIds(queue.Queue):  # type: ignore[type-arg]
    """The queue of task numbers, inside the owner."""

    teller: Teller

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Hand in a task."""
        self.teller.handed_in(item)
        super().put(item, block, timeout)

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        """Take a task's number to send its call, or to drop it if it was cancelled."""
        self.teller.settle()
        item = super().get(block, timeout)
        self.teller.taken = item
        return item


class Teller:
    """What the owner's side knows of one executor: the tokens of tasks not yet sent."""

    def __init__(self, executor: Any, kind: str) -> None:
        self.executor = weakref.ref(executor)
        self.site = made_at()
        self.kind = kind
        self.pool: BoardPool | None = None
        self.tokens: dict[int, Token] = {}
        self.taken: int | None = None
        self.sent_last: deque[Token] = deque()
        self.pending: Any = None

    def open_pool(self, executor: Any) -> None:
        """Declare the pool, and have the queues to its workers tell of it."""
        self.pool = pool = board_pool(self.site, self.kind, executor._max_workers)
        # As many as can lie in the pipe to the workers: a pool that breaks drops them.
        self.sent_last = deque(maxlen=pool.link.slots)
        executor._call_queue.idlehands = executor._result_queue.idlehands = pool.link
        pool.still_open = self.still_open
        pool.why_broken = self.why_broken
        pool.expose_depths(lambda: (len(self.tokens), ()))
        pool.unhook = self.unhook
        self.pending = executor._pending_work_items

    def unhook(self) -> None:
        """Tell no more."""
        self.pool = None

    def handed_in(self, work_id: int) -> None:
        """A task was submitted."""
        executor = self.executor()
        try:
            if self.pool is None and executor is not None:
                self.open_pool(executor)
            if self.pool is not None:
                item = self.pending[work_id]
                kind, size = describe(item.fn, item.args)
                self.tokens[work_id] = self.pool.queued(self.pool.kind_of(kind), size)
        except Exception as error:
            if self.pool is not None:
                self.pool.failed(error)

    def sent(self, call: Any) -> None:
        """A call goes to the worker processes; with the first, somebody may attach."""
        token = self.tokens.pop(getattr(call, "work_id", NONE), None)
        if token is not None and self.pool is not None:
            call.idlehands = token
            self.sent_last.append(token)
            self.taken = None
            if self.pool.on_bound is not None:
                self.pool.on_bound()

    def settle(self) -> None:
        """Record the task taken last as cancelled, if no call was sent for it."""
        if self.taken is not None:
            token = self.tokens.pop(self.taken, None)
            self.taken = None
            if token is not None and self.pool is not None:
                self.pool.cancelled(token)

    def still_open(self) -> bool:
        """Say whether the executor can still be used, or works off what it has."""
        executor = self.executor()
        pool = self.pool
        if pool is None:
            return False
        if executor is not None and not is_shut_down(executor) and not self.why_broken():
            return True
        if any(probe.joined_ns >= 0 for probe in pool.probes):
            return True
        self._drop_what_never_ran(pool)
        return False

    def _drop_what_never_ran(self, pool: BoardPool) -> None:
        """Record as cancelled what a pool that ends has neither run nor will."""
        ran = pool.last_tasks()
        sent = [token for token in self.sent_last if token[0] not in ran]
        for token in (*sent, *self.tokens.values()):
            pool.cancelled(token)
        self.tokens.clear()
        self.sent_last.clear()

    def why_broken(self) -> str:
        """Return what the executor says of why it is broken."""
        executor = self.executor()
        flags = getattr(executor, "_flags", None)
        broken = getattr(flags, "broken", None) or getattr(executor, "_broken", None)
        return str(broken) if broken else ""


def is_shut_down(executor: Any) -> bool:
    """Say whether an executor takes no more tasks."""
    flags = getattr(executor, "_flags", None)
    return bool(getattr(flags, "shutdown", getattr(executor, "_shutdown_thread", False)))


def describe(function: Any, arguments: Any) -> tuple[Any, int]:
    """Return (the callable a task is named for, its size): a chunk of `map` counts its calls."""
    if getattr(unwrapped(function), "__name__", "") == CHUNK:
        inner = getattr(function, "args", ()) + tuple(arguments)
        if len(inner) == 2 and hasattr(inner[1], "__len__"):
            return inner[0], len(inner[1])
    batch = getattr(function, "func", function)  # a wrapper around a batch of joblib's calls
    calls = getattr(batch, "items", None)
    if isinstance(calls, list) and calls and isinstance(calls[0], tuple):
        return calls[0][0], len(calls)
    return function, NONE


class Executors:
    """Has the queues of an executor class tell, as the executor stores them."""

    def __init__(self, kind: str, calls: type, results: type) -> None:
        self._calls = calls
        self._results = results
        self._kind = kind

    def attributes(self) -> dict[str, Callable[[Any, Any], Any]]:
        """Return what to do with each queue when it is stored."""
        return {
            "_call_queue": self._call_queue_set,
            "_result_queue": self._result_queue_set,
            "_work_ids": self._work_ids_set,
        }

    def adopt(self, executors: Any) -> None:
        """Take on executors that were made before; their workers so far stay unprobed."""
        for executor in list(executors):
            for name in QUEUES:
                value = executor.__dict__.get(name)
                if value is not None:
                    setattr(executor, name, value)

    def _teller(self, executor: Any) -> Teller:
        teller = executor.__dict__.get("_idlehands")
        if teller is None:
            teller = executor.__dict__["_idlehands"] = Teller(executor, self._kind)
        return teller  # type: ignore[no-any-return]

    def _call_queue_set(self, executor: Any, calls: Any) -> Any:
        calls.__class__ = self._calls
        calls.teller = self._teller(executor)
        return calls

    def _result_queue_set(self, executor: Any, results: Any) -> Any:
        results.__class__ = self._results
        return results

    def _work_ids_set(self, executor: Any, ids: Any) -> Any:
        ids.__class__ = TellingIds
        ids.teller = self._teller(executor)
        return ids
