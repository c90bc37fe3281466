"""The probe's messages, all of them on the ``idlehands`` logger.

A hook may run under any lock of the job's, and a handler of the job's logging may need that lock.
So a hook only stores its message; the probe's own thread logs it, or the end of the process does. A
message names only the type of an object of the job's: anything more could run code of the job's, or
keep the object alive.
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
    """Log the stored messages. Only where no lock is held."""
    if not _pending:
        return
    logging: Any = sys.modules.get("logging")  # loaded, see `_process.prepare`
    if logging is None:
        import logging
    while _pending:
        message, arguments = _pending.popleft()
        logging.getLogger("idlehands").warning(message, *arguments)


def log_pending_in_own_thread() -> None:
    """Log the stored messages in a thread that `threading` does not know, and must not learn of.

    Logging asks for the thread's name, and that makes an entry for it among the program's threads.
    """
    if not _pending:
        return
    known = getattr(threading, "_active", {})
    is_known = threading.get_ident() in known
    # An exception of a handler of the job's, even one that ends threads, must not end this one.
    with contextlib.suppress(BaseException):
        log_pending()
    if not is_known:
        known.pop(threading.get_ident(), None)


def shown(value: object) -> str:
    """Return a value for a message; for an object that is no plain value only its type."""
    return repr(value) if type(value) in (str, int, float, type(None)) else type(value).__name__


class _PlainText(str):
    """Text that ``%r`` shows without quotes."""

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
