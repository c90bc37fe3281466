"""Starts the recorder of `idlehands run --capture`, before the job.

The recorder is the command `record` of the monitor, in a process of its own. It is no child of the
job, and no signal of the job's terminal reaches it. So the job is as it would be without it,
whatever the job waits for, counts or sends to its process group. Touches: one pipe, one process.
"""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Sequence

from ._announced import announce
from ._folder import FolderRefused, open_own_folder

SUFFIX = ".recorder"
START_SECONDS = 30.0
READY = "ready"
"""What the recorder says once it listens; anything else is why it cannot."""
SAYS_BYTES = 4096


def start_recorder(options: Sequence[str]) -> str:
    """Start the recorder with the options of its command line, and announce it to this process.

    Returns when it listens, or why it cannot record, in one line for a person; "" where it can.
    """
    try:
        with open_own_folder() as folder:
            path = os.path.join(folder.path, f"{os.getpid()}{SUFFIX}")
    except (OSError, FolderRefused) as error:
        return str(error)
    said, says = os.pipe()
    try:
        pid = _spawn(path, options, says)
    finally:
        os.close(says)
    try:
        answer = _answer(said)
    finally:
        os.close(said)
    os.waitpid(pid, 0)  # the recorder is a child of this one, which has ended
    if answer is None:
        return f"the recorder did not start within {START_SECONDS:g} s"
    if answer != READY:
        return answer or "the recorder could not be started"
    announce(path)
    return ""


def _spawn(path: str, options: Sequence[str], says: int) -> int:
    """Start the recorder with this process's standard error, and return its process id."""
    os.set_inheritable(says, True)
    flags: list[str] = []
    if sys.version_info >= (3, 11):  # before, the command refuses: the monitor needs that
        flags = ["-I"] if sys.flags.isolated else ["-P"]
    facts = ["--socket", path, "--job", str(os.getpid()), "--says", str(says)]
    return os.posix_spawn(
        sys.executable,
        [sys.executable, *flags, "-m", "idlehands", "record", *facts, *options],
        os.environ,
        file_actions=[
            (os.POSIX_SPAWN_OPEN, 0, os.devnull, os.O_RDONLY, 0),
            (os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0),
        ],
    )


def _answer(said: int) -> str | None:
    """Return what the recorder says, "" where it has ended without a word, None for silence."""
    found = b""
    while select.select([said], [], [], START_SECONDS)[0]:
        data = os.read(said, SAYS_BYTES)
        if not data:
            return found.decode(errors="replace").strip()
        found += data
    return None
