"""Standard output and standard error: only this module writes to them.

Text with names of the job in it is made safe here, and any encoding can write it. A standard stream
that was closed is replaced, so that no file takes its number.
"""

from __future__ import annotations

import contextlib
import os
import sys

from ..model.errors import LONGEST_MESSAGE
from ..views.foreign_text import clean, safe


def open_streams() -> None:
    """Make the standard streams usable, in whatever state the program found them.

    Writing to a standard output that was closed raises OSError. Messages to a standard error that
    was closed go nowhere.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            # Standard output is not opened for writing: a command must not seem to have written.
            file = os.open(os.devnull, os.O_WRONLY if name == "stderr" else os.O_RDONLY)
            if file != number:
                os.dup2(file, number)
                os.close(file)
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a test may have put something else there
            reconfigure(errors="backslashreplace")


def interrupted(_number: int, _frame: object) -> None:
    """Treat a signal as ctrl+c: end, and leave nothing half done."""
    raise KeyboardInterrupt


def write(text: str, *, error: bool = False) -> None:
    """Write text to standard output, or standard error, at once. Raises OSError."""
    stream = sys.stderr if error else sys.stdout
    stream.write(safe(text))
    stream.flush()


def give_up() -> None:
    """Drop what could not be written to standard output, so that Python does not try again."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def message(text: str, command: str = "") -> None:
    """Write one line to standard error, if that is possible; names of the job may be in it."""
    who = f"idlehands {command}" if command else "idlehands"
    with contextlib.suppress(OSError):
        write(f"{who}: {clean(text, LONGEST_MESSAGE)}\n", error=True)


def rewrite(text: str) -> None:
    """Write one line to standard error in the place of the last one, where that is a terminal."""
    with contextlib.suppress(OSError):
        if sys.stderr.isatty():
            sys.stderr.write(f"\r\x1b[K{clean(text, LONGEST_MESSAGE)}")
            sys.stderr.flush()
