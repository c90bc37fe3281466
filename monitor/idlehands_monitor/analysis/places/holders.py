"""Who holds what a thread waits for, by the stacks of one dump. Pure.

The interpreter marks the thread that holds its lock. Of another lock only the code is known: a
thread holds it if it is in the function that takes the lock, past the line that takes it. If just
one thread is, it is named; a thread that has left the lock's block may be mistaken for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .frames import own_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import Dump, Stack, ThreadSample

PRIMITIVES = (
    "/threading.py",
    "/queue.py",
    "/multiprocessing/synchronize.py",
    "/multiprocess/synchronize.py",
    "/loky/backend/synchronize.py",
    "/concurrent/futures/_base.py",
)
"""Many threads are in functions of these files at a time, for locks of their own."""


def owner(dump: Dump) -> ThreadSample | None:
    """Return the thread that held the interpreter lock, None where none did at that moment."""
    return next((thread for thread in dump.threads if thread.owns_lock), None)


def holder(waiting: Sequence[ThreadSample], dump: Dump) -> ThreadSample | None:
    """Return the one thread of a dump that holds what these threads wait for, None where the
    stacks do not tell."""
    same = {(thread.native_id, thread.ident) for thread in waiting}
    others: dict[tuple[str, str], list[tuple[int, ThreadSample]]] = {}
    for other in dump.threads:
        if (other.native_id, other.ident) not in same:
            for frame in other.stack:
                others.setdefault((frame.function, frame.file), []).append((frame.line, other))
    for takers in dict.fromkeys(_takers(thread.stack) for thread in waiting):
        for frame in takers:
            past = {
                id(other): other
                for line, other in others.get((frame.function, frame.file), ())
                if line > frame.line
            }
            if past:
                return next(iter(past.values())) if len(past) == 1 else None
    return None


def _takers(stack: Stack) -> Stack:
    """Return the frames that may be in the function that takes the lock, innermost first.

    That may be a library's: its callers, out to the program's own frame, are among them.
    """
    own = own_frame(stack)
    end = stack.index(own) + 1 if own is not None else len(stack)
    return tuple(frame for frame in stack[:end] if not frame.file.endswith(PRIMITIVES))
