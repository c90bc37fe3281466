"""The exits to standard output and standard error: nothing else writes there.

All text is made safe here, whatever foreign names are in it, and written in any encoding. A
standard stream that was closed is replaced, so that no file takes its number.
"""

from __future__ import annotations

import contextlib
import os
import sys

from ..model.errors import LONGEST_MESSAGE
from ..views.formatting import clean, safe


def open_streams() -> None:
    """Make the standard streams fit to be written to, in whatever state the program found them.

    What is written to an output that was closed fails as an OSError; messages then go nowhere.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            # Not open for writing: what a command has to say must not seem to have been said.
            file = os.open(os.devnull, os.O_WRONLY if name == "stderr" else os.O_RDONLY)
            if file != number:
                os.dup2(file, number)
                os.close(file)
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # else a test has put something in its place
            reconfigure(errors="backslashreplace")


def write(text: str, *, error: bool = False) -> None:
    """Write text to standard output, or standard error, at once. Raises OSError."""
    stream = sys.stderr if error else sys.stdout
    stream.write(safe(text))
    stream.flush()


def give_up() -> None:
    """Have what could not be written to standard output go nowhere, and not be tried again."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def message(text: str, command: str = "") -> None:
    """Write one line to standard error, if that is possible; foreign names may be in it."""
    who = f"idlehands {command}" if command else "idlehands"
    with contextlib.suppress(OSError):
        write(f"{who}: {clean(text, LONGEST_MESSAGE)}\n", error=True)
