"""The role of a thread in a pool, from its stack: whose worker it is, and whether it is parked.

Pure. Functions and files are those of CPython's Lib/concurrent/futures, Lib/multiprocessing,
Lib/threading.py and Lib/queue.py (3.9 to 3.15), of loky's process_executor.py, also the copy in
joblib, of multiprocess (0.70), pebble (5.2) and mpire (2.10). A worker is parked if
its innermost frames are its pool's loop waiting for the next task. Queues written in C have no
frame: there the loop itself is innermost.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from ...model.vocabulary import PoolKind

if TYPE_CHECKING:
    from ...ledger import Stack, StackFrame

THREADS, PROCESSES = PoolKind.THREADS, PoolKind.PROCESSES

CHAIN_FRAMES = 3


class _Loop(NamedTuple):
    """The function in which a pool's worker waits for tasks and runs them."""

    function: str
    file: str
    kind: str
    module: str
    queue_in_c: bool


LOOPS = (
    _Loop(
        "_worker",
        "concurrent/futures/thread.py",
        PoolKind.THREAD_POOL,
        "concurrent.futures.thread",
        True,
    ),
    _Loop(
        "_process_worker",
        "concurrent/futures/process.py",
        PoolKind.PROCESS_POOL,
        "concurrent.futures.process",
        False,
    ),
    _Loop(
        "_process_worker",
        "loky/process_executor.py",
        PoolKind.LOKY_POOL,
        "loky.process_executor",
        False,
    ),
    _Loop(
        "worker", "multiprocessing/pool.py", PoolKind.PROCESS_POOL, "multiprocessing.pool", False
    ),
    _Loop("worker", "multiprocess/pool.py", PoolKind.PROCESS_POOL, "multiprocess.pool", False),
    _Loop(
        "process_tasks",
        "pebble/pool/process.py",
        PoolKind.PROCESS_POOL,
        "pebble.pool.process",
        False,
    ),
    _Loop("run", "mpire/worker.py", PoolKind.PROCESS_POOL, "mpire.worker", False),
)
EXTERNAL_LIBRARIES = {"pebble.pool.process": "pebble", "mpire.worker": "mpire"}
"""Libraries without an adapter of the probe, by the module of their worker processes' loop."""
POOL_OF_THREADS = _Loop("worker", "", PoolKind.THREAD_POOL, "multiprocessing.pool", True)
"""`multiprocessing.pool.ThreadPool`: the same loop, in a thread."""

OWN_THREADS_OF_POOLS = (
    "concurrent/futures/process.py",
    "loky/process_executor.py",
    "loky/backend/queues.py",
    "multiprocessing/pool.py",
    "multiprocessing/queues.py",
    "multiprocessing/managers.py",
    "multiprocessing/resource_sharer.py",
    "multiprocess/pool.py",
    "multiprocess/queues.py",
    "multiprocess/managers.py",
    "pebble/pool/process.py",
    "mpire/pool.py",
    "idlehands/_outlet.py",  # of probes before it was renamed
    "idlehands/_publisher.py",
)
"""Threads whose own function is in such a file serve a pool or the probe; they run no tasks."""

PROCESS_STARTS = ("/multiprocessing/process.py", "/multiprocess/process.py")
WAITING = (
    "/threading.py",
    "/selectors.py",
    "/multiprocessing/connection.py",
    "/multiprocessing/synchronize.py",
    "/loky/backend/synchronize.py",
    "/multiprocess/connection.py",
    "/multiprocess/synchronize.py",
    "/pebble/pool/channel.py",
    "/pebble/pool/process.py",
    "/mpire/comms.py",
)
FETCHES = ("fetch_task", "/pebble/pool/process.py")
QUEUES = ("/queue.py", "/queues.py")
STANDARD_LIBRARY = re.compile(r"/lib/python\d+\.\d+/(?!site-packages/|dist-packages/)|^<frozen ")


class Role(NamedTuple):
    """A worker's place in one stack.

    own: the place of its loop, or of its own function, counted from the innermost frame. label:
    the name of its pool, as far as this thread shows it.
    """

    kind: str
    module: str
    label: str
    own: int
    parked: bool


@lru_cache(maxsize=1 << 14)
def role_of(stack: Stack, name: str, *, main: bool) -> Role | None:
    """Return the role of a thread by its stack, None where it is no worker.

    main: whether it is the first thread of its process, which is a worker only in a worker process.
    Threads of no known pool are `THREADS`, parked if their own function waits for a queue; more
    than one stack is needed to distinguish a queue's workers from other threads.
    """
    if not stack:
        return None
    process = any(
        _last(f.function) == "_bootstrap" and f.file.endswith(PROCESS_STARTS) for f in stack
    )
    for place, frame in enumerate(stack):
        loop = _loop(frame)
        if loop is None:
            continue
        if loop.module == POOL_OF_THREADS.module and not process:
            loop = POOL_OF_THREADS
        parked = _waits(stack, place, queue_in_c=loop.queue_in_c)
        return Role(loop.kind, loop.module, _prefix(name, loop), place, parked)
    if main and not process:
        return None
    kind, module = (PROCESSES, "multiprocessing") if main else (THREADS, "threading")
    outermost = _own_function(stack)
    if outermost is None:
        return Role(kind, module, "", len(stack), False)
    own = stack[outermost]
    if own.file.endswith(OWN_THREADS_OF_POOLS):
        return None
    label = f"{_last(own.function)} ({_base(own.file)})"
    return Role(kind, module, label, outermost, _waits(stack, outermost, queue_in_c=False))


def chain(stack: Stack, role: Role) -> tuple[StackFrame, ...]:
    """Return the few frames that best show where a worker is, innermost first.

    For a parked worker: the wait for the next task, and the function that waits. Otherwise: the
    innermost frame, then the innermost frames of the program and its installed packages.
    """
    if role.parked:
        get = role.own
        while get and _is_get(stack[get - 1]):
            get -= 1
        return stack[get : role.own + 1][:CHAIN_FRAMES]
    inside = role.own if role.kind not in (THREADS, PROCESSES) else role.own + 1
    frames = [frame for frame in stack[:inside] if frame.line and frame.file] or list(stack)
    own = [frame for frame in frames[1:] if not STANDARD_LIBRARY.search(frame.file)]
    return tuple([*frames[:1], *own][:CHAIN_FRAMES])


def _loop(frame: StackFrame) -> _Loop | None:
    return next((loop for loop in LOOPS if _is(frame, loop.file, loop.function)), None)


def _is(frame: StackFrame, file: str, function: str) -> bool:
    return _last(frame.function) == function and frame.file.endswith(file)


def _starts_process(frame: StackFrame) -> bool:
    return _last(frame.function) == "_bootstrap" and frame.file.endswith(PROCESS_STARTS)


def _waits(stack: Stack, own: int, *, queue_in_c: bool) -> bool:
    """Return whether a worker's own function does nothing but wait for a queue."""
    inside = stack[:own]
    if not inside:
        return queue_in_c
    waiting = all(_is_get(frame) or frame.file.endswith(WAITING) for frame in inside)
    return waiting and any(map(_is_get, inside))


def _is_get(frame: StackFrame) -> bool:
    function = _last(frame.function)
    return (function == "get" and frame.file.endswith(QUEUES)) or _is(frame, FETCHES[1], FETCHES[0])


def _own_function(stack: Stack) -> int | None:
    """Return the place of the outermost frame that is not part of starting a thread."""
    for place in range(len(stack) - 1, -1, -1):
        starts = stack[place].file.endswith(("/threading.py", *PROCESS_STARTS))
        if not starts:
            return place
    return None


def _prefix(name: str, loop: _Loop) -> str:
    """Return the common part of the names of a pool's threads, without the number."""
    if loop.module != "concurrent.futures.thread":
        return loop.module
    prefix, _, number = name.rpartition("_")
    return prefix if prefix and number.isdigit() else loop.module


def _last(function: str) -> str:
    return function.rpartition(".")[2]


def _base(file: str) -> str:
    return file.rpartition("/")[2]
