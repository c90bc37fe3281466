"""The probe's only way to speak: the ``idlehands`` logger.

A hook may run under any lock of the job's, and a handler of the job's logging may want that lock.
So a message is only put down where it arises; the probe's own thread says it, or the end of the
process. What a message tells of an object of the job's is its type: anything more could run code
of the job's, or keep the object alive.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections import deque
from typing import Any

MOST_MESSAGES = 64

_pending: deque[tuple[str, tuple[object, ...]]] = deque(maxlen=MOST_MESSAGES)


def warn(message: str, *arguments: object) -> None:
    """Have a warning logged soon. Takes no lock, runs nothing of the job's."""
    _pending.append((message, tuple(map(_plain, arguments))))


def log_pending() -> None:
    """Log what waits to be said. Only where no lock is held."""
    if not _pending:
        return
    logging: Any = sys.modules.get("logging")  # loaded, see `_process.prepare`
    if logging is None:
        import logging
    while _pending:
        message, arguments = _pending.popleft()
        logging.getLogger("idlehands").warning(message, *arguments)


def log_pending_in_own_thread() -> None:
    """Do the same in a thread that `threading` does not know, and is not to know.

    Logging asks for the name of the thread, and so makes an entry for it among the program's.
    """
    if not _pending:
        return
    known = getattr(threading, "_active", {})
    is_known = threading.get_ident() in known
    # Whatever a handler of the job's raises, to end its own thread even, is not for this one.
    with contextlib.suppress(BaseException):
        log_pending()
    if not is_known:
        known.pop(threading.get_ident(), None)


def shown(value: object) -> str:
    """Return a value as a message shows it: of what is no plain value only the type."""
    return repr(value) if type(value) in (str, int, float, type(None)) else type(value).__name__


class _PlainText(str):
    """Shown as it is by ``%r`` too."""

    __slots__ = ()
    __repr__ = str.__str__


def _plain(argument: object) -> object:
    kind = type(argument)
    if kind in (str, int, float):
        return argument
    if not issubclass(kind, BaseException):
        return _PlainText(kind.__name__)
    arguments_of_error = BaseException.args.__get__(argument)  # type: ignore[attr-defined]
    plain = [word for word in arguments_of_error if type(word) is str or type(word) is int]
    return _PlainText(f"{kind.__name__}({', '.join(map(repr, plain))})")


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_pending.clear)
