"""How a thread pool's tasks are queued: the hot path of `thread_pool` in the submitting thread.

How they are run is in `_work_runs`.
"""

from __future__ import annotations

from threading import get_ident
from time import monotonic_ns
from types import BuiltinFunctionType, FunctionType
from typing import Any, Callable, Protocol

from .._job_objects import attributes_of
from .._packed_rows import SPAWN_BYTES, pack_spawn
from .._shared import SharedPool
from .._shared_worker import SKIPPED
from .._tables import NONE
from ._calls import in_call, wrappers
from ._guard import failed

Put = Callable[..., None]


def recording_put(pool: SharedPool, put: Put, known_item: Any) -> Put:
    """Return the hot path where a task is queued; the executor's lock makes it one at a time."""
    spawns, kind_known, clock, ident = pool.spawns, pool.known.get, monotonic_ns, get_ident
    slots, mask = spawns.slots, spawns.mask
    in_context, passes_on = has_context(known_item), type(put) is not BuiltinFunctionType
    last: Any = pool  # most tasks call what the one before called
    kind: Any = NONE

    def put_with_token(item: Any, block: bool = True, timeout: float | None = None) -> None:
        nonlocal last, kind
        if type(item) is known_item:
            try:
                function = handed_in(item) if in_context else item.fn
                if function is not last:
                    last = pool
                    kind = kind_known(id(function))
                    if kind is None:
                        if type(function) is BuiltinFunctionType or id(function) in wrappers:
                            function = function_of(item)
                        kind = pool.kind_of(function)
                    else:
                        last = function
                task = spawns.next_number()
                packed = spawns.packed
                if packed is None:
                    item.idlehands = slots[task & mask] = (task, NONE, kind, clock(), ident(), NONE)
                else:
                    now = clock()
                    item.idlehands = task, NONE, kind, now, ident(), NONE
                    pack_spawn(packed, (task & mask) * SPAWN_BYTES, task | mask, now)
            except RecursionError:  # a full stack: the task is handed in all the same
                pass
            except Exception as error:
                failed(pool, error)
        if passes_on:
            put(item, block, timeout)
        else:
            put(item)  # which ignores the other arguments

    return put_with_token


class Skips(Protocol):
    """Counts the items that are handed in only to be counted."""

    skipped: int


def counting_put(pool: SharedPool, put: Put, known_item: Any, skips: Skips) -> Put:
    """Return the same for a pool that gives up detail: most tasks are only counted, or all are.

    An item is counted in `skips` before the pool's mask is read. So once the mask is 0 the count
    covers every item that any call can still mark as only counted.
    """
    spawns, passes_on = pool.spawns, type(put) is not BuiltinFunctionType

    def put_counted(item: Any, block: bool = True, timeout: float | None = None) -> None:
        if type(item) is known_item:
            try:
                skips.skipped += 1
                task = pool.last_number = spawns.next_number()
                if task & pool.every:
                    item.idlehands = SKIPPED
                else:
                    skips.skipped -= 1
                    item.idlehands = pool.token(task, pool.kind_of(function_of(item)))
            except RecursionError:
                pass
            except Exception as error:
                failed(pool, error)
        if passes_on:
            put(item, block, timeout)
        else:
            put(item)

    return put_counted


def function_of(item: Any) -> Any:
    """Return the callable that a work item is named for."""
    names = attributes_of(item)
    task = names.get("task")
    if type(task) is tuple and task:
        return in_call(*(*task, ())[:2])
    return in_call(names.get("fn", task), names.get("args"))


def handed_in(item: Any) -> Any:
    """Return the callable that a work item with a context was handed in with."""
    task = attributes_of(item).get("task")
    return task[0] if type(task) is tuple and task else task


def has_context(item: type) -> bool:
    """Return whether the class's items run in a context, as from Python 3.14 on."""
    made: Any = vars(item).get("__init__")
    return type(made) is FunctionType and "fn" not in made.__code__.co_varnames
